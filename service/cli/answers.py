"""``airway adherence`` and ``airway extract``: what the record can say."""

import sys
from datetime import datetime
from enum import StrEnum
from pathlib import Path
from typing import Annotated

import typer

from service.cli.options import StoreOption, open_record, settings_with, stop
from service.cli.tables import adherence_lines, extract_lines
from service.compose import system_clock
from service.fhir.json import JsonObject, read
from service.fhir.search.terms import Condition, TokenValue
from service.programme.adherence import Adherence
from service.record import Actor, Record
from service.record.adherence import adherence_of_patient
from service.record.errors import RecordError
from service.record.reports import ledger_csv
from service.registry.consent import Terms
from service.registry.errors import NotReleasable
from service.registry.extract import release
from service.registry.half_year import HalfYear
from service.settings import Settings

BY = Actor("The airway command", role="performer")


class ReleaseFormat(StrEnum):
    """In which form the records of a release are printed."""

    NDJSON = "ndjson"
    CSV = "csv"


def adherence(
    first: Annotated[datetime, typer.Option("--from", help="First day.", formats=["%Y-%m-%d"])],
    last: Annotated[datetime, typer.Option("--to", help="Last day.", formats=["%Y-%m-%d"])],
    store: StoreOption = None,
    child: Annotated[
        str | None, typer.Option(help="Business number of one child; else every child.")
    ] = None,
    known_at: Annotated[
        datetime | None,
        typer.Option(
            help="Answer as it was known then (with offset).", formats=["%Y-%m-%dT%H:%M:%S%z"]
        ),
    ] = None,
    ledger: Annotated[
        bool, typer.Option("--ledger", help="The day-by-day table as CSV, for one child.")
    ] = False,
) -> None:
    """Show what was due and what was done, for one child or all.

    Days are the child's own. The figures are for the licensed clinician to read with the family:
    a day without a log is not proof of a day without a session.

    Example: airway adherence --child C-01 --from 2026-01-01 --to 2026-06-30
    """
    with open_record(store, must_exist=True) as record:
        children = _children(record, child)
        if ledger and len(children) != 1:
            stop("--ledger needs --child with the number of one child")
        found = [(_number(one), _of(record, one, first, last, known_at)) for one in children]
    if ledger:
        sys.stdout.write(ledger_csv(found[0][1]))
        return
    for line in adherence_lines(sorted(found, key=lambda pair: pair[0])):
        typer.echo(line)


def extract(
    half_year: Annotated[str, typer.Option(help="A calendar half-year, for example 2026-H1.")],
    store: StoreOption = None,
    output: Annotated[
        ReleaseFormat, typer.Option("--format", help="Form of the records.")
    ] = ReleaseFormat.NDJSON,
    out: Annotated[
        Path | None, typer.Option(help="Folder for records, manifest and code book.")
    ] = None,
) -> None:
    """Release the k-anonymised adherence of consented children for the research registry.

    The first call makes the release and keeps it; later ones repeat it byte for byte. It is
    k-anonymised, which is not the same as anonymous in law.

    Example: airway extract --half-year 2026-H1 --out release
    """
    try:
        period = HalfYear.parse(half_year)
        with open_record(store, must_exist=True) as record:
            made = release(record, period, system_clock, terms=_terms(settings_with()))
    except (ValueError, NotReleasable) as error:
        stop(str(error))
    if out is None:
        records = made.csv if output is ReleaseFormat.CSV else made.ndjson
        sys.stdout.write(records.decode())
        return
    out.mkdir(parents=True, exist_ok=True)
    (out / f"adherence-{period}.ndjson").write_bytes(made.ndjson)
    (out / f"adherence-{period}.csv").write_bytes(made.csv)
    (out / f"adherence-{period}-manifest.json").write_bytes(made.manifest)
    (out / f"adherence-{period}-codebook.json").write_bytes(made.codebook)
    for line in extract_lines(made):
        typer.echo(line)


def _terms(settings: Settings) -> Terms:
    return Terms(age_of_consent=settings.age_of_consent, recipient=settings.registry_recipient)


def _children(record: Record, number: str | None) -> list[JsonObject]:
    wanted = (
        []
        if number is None
        else [Condition("identifier", "token", (TokenValue(system=None, code=number),))]
    )
    found = [read(version.body) for version in record.search(BY, "Patient", wanted).versions]
    if not found:
        stop("The record knows no such child." if number else "The record knows no children.")
    return found


def _number(patient: JsonObject) -> str:
    numbers = patient.get("identifier") or [{}]
    return str(numbers[0].get("value", patient["id"]))


def _of(
    record: Record, patient: JsonObject, first: datetime, last: datetime, known_at: datetime | None
) -> Adherence:
    now = system_clock()
    try:
        return adherence_of_patient(
            record, BY, patient["id"], first.date(), last.date(), known_at=known_at or now, now=now
        )
    except RecordError as error:
        stop(error.findings[0].diagnostics)
