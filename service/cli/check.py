"""``airway check``: validate resources in files against R4 and the project's profiles."""

import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Annotated

import typer

from service.cli.options import Format
from service.cli.pieces import Piece, pieces
from service.compose import build_validator
from service.fhir.json import JsonError, read, write
from service.fhir.outcome import Finding, has_errors, json_finding, operation_outcome
from service.fhir.validation import Validator


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
) -> None:
    """Check FHIR R4 resources: structure, codes, and the profiles that apply to them.

    A file holds one resource (a Bundle is one) or one a line. Exit status 1 if there are errors,
    2 if a file cannot be read.

    Example: airway check plan.json sessions.ndjson
    """
    validator = build_validator()
    checked = failed = 0
    for path in files:
        for piece in _readable(path):
            findings = findings_of(piece, validator, profile or [])
            checked += 1
            failed += has_errors(findings)
            for line in _as_ndjson(findings) if output is Format.NDJSON else _text(piece, findings):
                typer.echo(line)
    if output is Format.TEXT:
        typer.echo(f"{checked} checked, {checked - failed} without errors, {failed} with errors")
    if failed:
        raise typer.Exit(1)


def findings_of(piece: Piece, validator: Validator, profiles: list[str]) -> list[Finding]:
    """What is wrong with one piece of text; text that is not JSON has one finding."""
    try:
        resource = read(piece.text)
    except JsonError as error:
        return [json_finding(error)]
    return validator.validate(resource, profiles)


def _readable(path: Path) -> Iterator[Piece]:
    try:
        yield from pieces(path)
    except OSError as error:
        typer.echo(f"{path}: {error.strerror}", err=True)
        sys.stdout.flush()
        raise typer.Exit(2) from None


def _as_ndjson(findings: list[Finding]) -> Iterator[str]:
    yield write(operation_outcome(findings)).decode()


def _text(piece: Piece, findings: list[Finding]) -> Iterator[str]:
    """A line for each error and warning; advice is in the outcomes only."""
    place = f"{piece.source}:{piece.line}"
    for finding in findings:
        if finding.severity == "information":
            continue
        rule = f" [{finding.key}]" if finding.key else ""
        where = f" {finding.expression}:" if finding.expression else ""
        yield f"{place}: {finding.severity}{rule}:{where} {finding.diagnostics}"
