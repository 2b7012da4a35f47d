"""``airway profiles``: the project's conformance resources as a FHIR package."""

from pathlib import Path
from typing import Annotated

import typer

from service.api.capability import VERSION
from service.compose import build_definitions
from service.fhir.definitions import CONFORMANCE_TYPES
from service.fhir.package import write_package
from service.mapping.canonical import BASE

PACKAGE = "example.airway-programmes"
R4_CORE = {"hl7.fhir.r4.core": "4.0.1"}

app = typer.Typer(no_args_is_help=True, help="The profiles, code systems, measures and operations.")


@app.callback()
def profiles() -> None:
    """The profiles, code systems, measures and operations of airway-clearance programmes."""


@app.command()
def pack(
    out: Annotated[
        Path | None, typer.Option(help="The file to write; else NAME-VERSION.tgz in this folder.")
    ] = None,
) -> None:
    """Write all conformance resources as a FHIR package that other systems can load.

    Example: airway profiles pack --out airway-profiles.tgz
    """
    definitions = build_definitions()
    resources = [one for kind in sorted(CONFORMANCE_TYPES) for one in definitions.of_type(kind)]
    target = write_package(
        out or Path(f"{PACKAGE}-{VERSION}.tgz"),
        name=PACKAGE,
        version=VERSION,
        canonical=BASE,
        resources=resources,
        dependencies=R4_CORE,
        description="Airway-clearance home programmes: profiles of HL7 FHIR R4",
        author="Airway programme record",
    )
    typer.echo(f"{target}: {len(resources)} conformance resources")
