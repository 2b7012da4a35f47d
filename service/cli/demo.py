"""``airway demo``: the whole job for an invented clinic, in a new store."""

import shutil
from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass, field
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Annotated, Any

import typer

from service.cli.options import stop
from service.cli.progress import count_bar
from service.cli.tables import adherence_lines, extract_lines
from service.clinic import clinic_module
from service.compose import build_record, build_validator, open_store
from service.fhir.json import read
from service.fhir.outcome import has_errors
from service.fhir.validation import Validator
from service.mapping.feed_lines import lines_of
from service.mapping.feeds import JsonLines, rows_of
from service.record import Actor, Record
from service.record.adherence import adherence_of_patient
from service.record.load import csv_feed
from service.record.programmes import Programmes
from service.record.sessions import Upload
from service.record.transactions import Transactions
from service.registry.extract import release
from service.registry.half_year import HalfYear

FIRST, LAST = date(2026, 1, 1), date(2026, 6, 30)
HALF_YEAR = "2026-H1"
MARKER = "INVENTED.txt"
BY = Actor("The invented clinic")


@dataclass(slots=True)
class Replay:
    """The clock of the demonstration: it shows when each thing of the invented clinic happened."""

    instant: datetime = datetime(2026, 1, 1, tzinfo=UTC)

    def __call__(self) -> datetime:
        return self.instant


@dataclass(slots=True)
class RowCounts:
    """How the rows of session logs ended, and why some were refused."""

    ends: Counter[str] = field(default_factory=Counter)
    reasons: Counter[str] = field(default_factory=Counter)
    signs: int = 0


def demo(
    into: Annotated[
        Path, typer.Option(help="Folder for the new record and the files that were loaded.")
    ] = Path("airway-demo"),
) -> None:
    """Run the whole job for an invented clinic of 40 children and half a year of logs.

    Programmes in, session logs in, everything validated, adherence of each child, the registry
    extract. Nobody in it exists. The record stays in the folder, to be served and looked at.

    Example: airway demo --into airway-demo
    """
    _make_room(into)
    clinic = clinic_module().invent()
    clinic_module().write_clinic(clinic, into / "clinic")
    clock, validator = Replay(), build_validator()
    with open_store(into / "record.sqlite") as store:
        record = build_record(store, validator, clock)
        _programmes(record, clinic, clock)
        counts = _sessions(record, clinic, clock)
        _show_rows(counts)
        _show_resources(record, validator)
        _adherence(record, clock)
        _extract(record, clock)
    typer.echo("\nServe this record, on this computer only, with:")
    typer.echo(f"  airway serve --store {into / 'record.sqlite'}")


def _make_room(folder: Path) -> None:
    """An earlier demonstration gives way to the new one; nothing else is ever removed."""
    if (folder / MARKER).is_file():
        shutil.rmtree(folder)
    elif folder.exists() and any(folder.iterdir()):
        stop(f"{folder} holds something else; choose another folder with --into")
    folder.mkdir(parents=True, exist_ok=True)
    (folder / MARKER).write_text(
        "An invented clinic. Nobody in it exists. The next `airway demo` replaces this folder.\n"
    )


def _programmes(record: Record, clinic: Any, clock: Replay) -> None:
    programmes, seen, changes = Programmes(record, clock), set[str](), 0
    with count_bar("Programmes", len(clinic.programmes)) as one_more:
        for posting in clinic.programmes:
            clock.instant = posting.entered
            document = read(_as_sent(posting.document))
            if document["id"] in seen:
                changes += 1
                tag = programmes.get(document["id"], BY).tag
                programmes.put(document["id"], document, BY, tag)
            else:
                programmes.post(document, BY)
            seen.add(document["id"])
            one_more()
    Transactions(record, "").carry_out(read(_as_sent(clinic.bundle())), BY)
    typer.echo(f"Programmes   {len(seen)} accepted, {changes} changed later")


def _as_sent(document: Any) -> bytes:
    line: bytes = clinic_module().json_line(document)
    return line


def _sessions(record: Record, clinic: Any, clock: Replay) -> RowCounts:
    counts = RowCounts()
    with count_bar("Session logs", clinic.rows) as one_more:
        for sent in clinic.feeds:
            clock.instant = sent.received
            upload = Upload(record, BY, received=sent.received, device_clock=sent.device_clock)
            feed = csv_feed(sent.column_map) if sent.column_map else JsonLines()
            for answer in upload.take(rows_of(feed, lines_of([sent.data]))):
                counts.ends[answer.status] += 1
                counts.signs += answer.alarm is not None
                if answer.status == "refused":
                    counts.reasons.update({finding.diagnostics for finding in answer.findings})
                one_more()
    return counts


def _show_resources(record: Record, validator: Validator) -> None:
    bodies = {kind: _bodies(record, kind) for kind in record.parameters.types}
    total, wrong = sum(map(len, bodies.values())), 0
    with count_bar("Validation", total) as one_more:
        for body in (body for kind in bodies.values() for body in kind):
            wrong += has_errors(validator.validate(read(body)))
            one_more()
    stored = ", ".join(f"{kind} {len(found)}" for kind, found in bodies.items() if found)
    typer.echo(f"Resources    {stored}")
    typer.echo(f"Validation   {total} resources checked as stored, {wrong} with errors")


def _bodies(record: Record, kind: str) -> list[bytes]:
    return [version.body for version in record.search(BY, kind).versions]


def _show_rows(counts: RowCounts) -> None:
    ends = ("accepted", "amended", "duplicate", "refused")
    told = ", ".join(f"{counts.ends[end]} {end}" for end in ends)
    typer.echo(f"Session logs {counts.ends.total()} rows: {told}")
    for reason, number in counts.reasons.most_common():
        typer.echo(f"    refused {number}: {reason}")
    typer.echo(
        f"    {counts.signs} rows name a warning sign; each was answered with the child's own"
    )
    typer.echo("    stop-and-call advice. Nobody watches these logs.")


def _adherence(record: Record, clock: Replay) -> None:
    patients = [read(body) for body in _bodies(record, "Patient")]
    found = []
    with count_bar("Adherence", len(patients)) as one_more:
        for patient in patients:
            found.append((_key(patient), _of(record, patient, clock())))
            one_more()
    _print(["", f"Adherence    {FIRST} to {LAST}", *adherence_lines(sorted(found, key=_first))])


def _of(record: Record, patient: Any, now: datetime) -> Any:
    return adherence_of_patient(record, BY, patient["id"], FIRST, LAST, known_at=now, now=now)


def _key(patient: Any) -> str:
    return str(patient["identifier"][0]["value"])


def _first(row: tuple[str, Any]) -> str:
    return row[0]


def _extract(record: Record, clock: Replay) -> None:
    made = release(record, HalfYear.parse(HALF_YEAR), clock)
    _print(["", f"Registry extract {HALF_YEAR}", *extract_lines(made)])


def _print(lines: Iterable[str]) -> None:
    for line in lines:
        typer.echo(line)
