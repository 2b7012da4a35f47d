"""``airway check``: validate resources in files against R4 and the project's profiles."""

from collections import deque
from collections.abc import Callable, Iterable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import Annotated

import typer

from service.cli.options import UNUSABLE, Format, settings_with, stop
from service.cli.pieces import STANDARD_INPUT, Piece, pieces
from service.cli.progress import bytes_bar
from service.compose import build_definitions, build_validator
from service.fhir.batch import Summary, check_batch
from service.fhir.fast import QuickValidator
from service.fhir.json import JsonError, read, write
from service.fhir.outcome import Finding, json_finding, operation_outcome
from service.fhir.positions import located


def check(
    files: Annotated[
        list[Path],
        typer.Argument(metavar="FILE...", help="JSON or NDJSON files; - is standard input."),
    ],
    profile: Annotated[
        list[str] | None,
        typer.Option(help="Also check against this profile (canonical URL); may be repeated."),
    ] = None,
    output: Annotated[
        Format,
        typer.Option("--format", help="ndjson: one OperationOutcome a resource, in input order."),
    ] = Format.TEXT,
    advice: Annotated[
        bool, typer.Option("--advice", help="Tell also what is only information.")
    ] = False,
) -> None:
    """Check FHIR R4 resources: structure, codes, constraints, and the profiles that apply.

    A file holds one resource (a Bundle is one) or one a line. All cores are used for many. Exit
    status 1 if there are errors, 2 if a file cannot be read.

    Example: airway check plan.json sessions.ndjson
    """
    for path in files:
        if path != STANDARD_INPUT and not path.is_file():
            stop(f"{path}: no such file")
    settings_with()
    try:
        build_definitions()
    except UNUSABLE as error:
        stop(str(error))
    judge = _advised if advice else _batch
    summary = Summary()
    total = sum(path.stat().st_size for path in files if path != STANDARD_INPUT)
    with bytes_bar("Checking", total) as progress:
        for piece, findings in judge(files, profile or [], progress):
            summary.add(findings)
            as_told = _as_ndjson(findings) if output is Format.NDJSON else _text(piece, findings)
            for line in as_told:
                typer.echo(line)
    if output is Format.TEXT:
        for severity, key, times in summary.rows():
            typer.echo(f"{times:>8} {severity} {key}")
        good = summary.checked - summary.failed
        typer.echo(
            f"{summary.checked} checked, {good} without errors, {summary.failed} with errors"
        )
    if summary.failed:
        raise typer.Exit(1)


Judged = Iterator[tuple[Piece, list[Finding]]]


def _batch(files: list[Path], profiles: list[str], progress: Callable[[int], None]) -> Judged:
    """Errors and warnings, on all cores."""
    waiting: deque[Piece] = deque()

    def texts() -> Iterator[bytes]:
        for path in files:
            for piece in pieces(path):
                waiting.append(piece)
                yield piece.text

    for findings in check_batch(texts(), build_validator, profiles=profiles):
        piece = waiting.popleft()
        progress(len(piece.text))
        yield piece, _in_file(piece, findings)


def _advised(files: list[Path], profiles: list[str], progress: Callable[[int], None]) -> Judged:
    """Everything that can be said, one resource after the other."""
    validator = build_validator()
    for path in files:
        for piece in pieces(path):
            yield piece, _in_file(piece, _everything(validator, piece, profiles))
            progress(len(piece.text))


def _everything(validator: QuickValidator, piece: Piece, profiles: list[str]) -> list[Finding]:
    try:
        return located(validator.diagnose(read(piece.text), profiles), piece.text)
    except JsonError as error:
        return [json_finding(error)]


def _in_file(piece: Piece, findings: Iterable[Finding]) -> list[Finding]:
    """Lines counted in the file, not in the piece; told once, not in the diagnostics too."""
    return [
        replace(
            finding,
            line=piece.line - 1 + (finding.line or 1),
            diagnostics=finding.diagnostics.removeprefix(
                f"line {finding.line}, column {finding.column}: "
            ),
        )
        for finding in findings
    ]


def _as_ndjson(findings: list[Finding]) -> Iterator[str]:
    yield write(operation_outcome(findings)).decode()


def _text(piece: Piece, findings: list[Finding]) -> Iterator[str]:
    for finding in findings:
        place = f"{piece.source}:{finding.line}:{finding.column or 1}"
        rule = f" [{finding.key}]" if finding.key else ""
        where = f" {finding.expression}:" if finding.expression else ""
        yield f"{place}: {finding.severity}{rule}:{where} {finding.diagnostics}"
