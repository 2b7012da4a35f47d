"""``airway load``: session logs or FHIR resources from files into the record."""

import sys
from collections import Counter
from collections.abc import Iterable
from datetime import datetime
from pathlib import Path
from typing import Annotated

import typer

from service.cli.load_resources import holds_resources, load_resources
from service.cli.options import Format, StoreOption, open_record, policy_of_settings, stop
from service.cli.progress import bytes_bar
from service.compose import system_clock
from service.fhir.json import write
from service.mapping.feeds import FeedError
from service.record import Actor
from service.record.load import LoadedRow, load_files

BY = Actor("The airway load command", role="enterer")


def load(
    files: Annotated[
        list[Path],
        typer.Argument(metavar="FILE...", help="CSV, or .ndjson / .jsonl.", exists=True),
    ],
    store: StoreOption = None,
    column_map: Annotated[
        str | None, typer.Option("--map", help="The column map of CSV files.")
    ] = None,
    zone: Annotated[
        str | None, typer.Option(help="IANA time zone of times without offset.")
    ] = None,
    device_clock: Annotated[
        datetime | None,
        typer.Option(
            help="What the device's clock shows now, with offset, if it may be wrong.",
            formats=["%Y-%m-%dT%H:%M:%S%z"],
        ),
    ] = None,
    output: Annotated[
        Format,
        typer.Option(
            "--format",
            help="ndjson: an answer line for each session row, once it is kept; for each resource "
            "that is refused.",
        ),
    ] = Format.TEXT,
    resources: Annotated[
        bool,
        typer.Option("--resources", help="The files hold FHIR resources, whatever line is first."),
    ] = False,
    refused: Annotated[
        Path | None,
        typer.Option(
            help="File for refused resources: row, OperationOutcome and the row itself, one a line."
        ),
    ] = None,
) -> None:
    """Load session logs, or FHIR resources. A bad row is refused alone, with its reason.

    Files whose first line is a JSON object with a resourceType hold FHIR R4 resources, one a line,
    in any order: each is checked in full and kept under its id, or under one that its content
    decides. Other files are session logs. Nobody watches these logs: a row that names a warning
    sign prints what the child's own programme says to do.

    Rows are kept in batches. Loading a file twice changes nothing, and a load that was cut off is
    finished by starting it again. Exit status 1 if rows were refused.

    Example: airway load diary.csv --map phone-diary

    Example: airway load record.ndjson --refused refused.ndjson
    """
    policy = policy_of_settings()
    if resources or _hold_resources(files):
        load_resources(files, store, BY, policy=policy, refused=refused, output=output)
        return
    if refused is not None:
        stop("--refused is for FHIR resources; session rows are answered one by one")
    total = sum(path.stat().st_size for path in files)
    with open_record(store) as record, bytes_bar("Loading", total) as progress:
        rows = load_files(
            record,
            BY,
            files,
            received=system_clock(),
            column_map=column_map,
            zone=zone,
            device_clock=device_clock,
            policy=policy,
            progress=progress,
        )
        try:
            counts = _told(rows, output)
        except FeedError as error:
            stop(str(error))
    typer.echo(summary(counts), err=output is Format.NDJSON)
    if counts["refused"]:
        raise typer.Exit(1)


def _hold_resources(files: list[Path]) -> bool:
    """Raises Exit when some files hold FHIR resources and others do not."""
    found = {holds_resources(path) for path in files}
    if len(found) > 1:
        stop("Some files hold FHIR resources and some session logs: load them one after the other")
    return True in found


def summary(counts: Counter[str]) -> str:
    """How many rows ended how, in one line."""
    ends = ("accepted", "duplicate", "amended", "refused")
    told = ", ".join(f"{counts[end]} {end}" for end in ends)
    return f"{counts.total()} rows: {told}"


def _told(rows: Iterable[LoadedRow], output: Format) -> Counter[str]:
    counts: Counter[str] = Counter()
    for path, answer in rows:
        counts[answer.status] += 1
        if output is Format.NDJSON:
            sys.stdout.write(write(answer.to_json() | {"file": path.name}).decode() + "\n")
            sys.stdout.flush()
            continue
        for finding in answer.findings:
            typer.echo(f"{path}: row {answer.row}: {answer.status}: {finding.diagnostics}")
        if notice := answer.to_json().get("notice"):
            typer.echo(f"{path}: row {answer.row}: {notice}")
            for entry in answer.alarm.safety_net if answer.alarm else ():
                typer.echo(f"    {entry.sign}: {entry.action} Call {entry.contact}.")
    return counts
