"""``airway load`` of FHIR resources: one resource a line, checked on all cores."""

import sys
import time
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from pathlib import Path
from typing import BinaryIO

import orjson
import typer

from service.cli.options import Format, open_record, stop
from service.cli.progress import rows_bar
from service.compose import build_maker
from service.fhir.json import write
from service.programme.checks import Policy
from service.record import Actor
from service.record.bulk import Loading, Progress, RefusedRow, rows_of
from service.record.errors import Away, Busy

_CHUNK = 1024 * 1024
_FIRST_LINE = 1024 * 1024
ENDS = ("created", "updated", "unchanged", "refused")


def holds_resources(path: Path) -> bool:
    """Whether the first line of a file that is not blank is an object with a ``resourceType``."""
    with path.open("rb") as stream:
        for line in iter(lambda: stream.readline(_FIRST_LINE), b""):
            if line.strip():
                return _is_resource(line)
    return False


def _is_resource(line: bytes) -> bool:
    try:
        value = orjson.loads(line)
    except orjson.JSONDecodeError:
        return line.lstrip().startswith(b'{"resourceType"')
    return isinstance(value, dict) and "resourceType" in value


def load_resources(
    files: list[Path],
    store: str | None,
    by: Actor,
    *,
    policy: Policy,
    refused: Path | None,
    output: Format,
) -> None:
    """Loads files one after the other; exits with status 1 if rows were refused."""
    counts: Counter[str] = Counter()
    began = time.monotonic()
    with ExitStack() as stack:
        record = stack.enter_context(open_record(store))
        into = stack.enter_context(refused.open("wb")) if refused else None
        read, done = stack.enter_context(
            rows_bar("Loading", sum(path.stat().st_size for path in files))
        )
        loading = Loading(record, by, build_maker, policy=policy, reason="Bulk load")
        try:
            for path in files:
                with path.open("rb") as stream:
                    for told in loading.take(rows_of(_chunks(stream, read))):
                        done(told.rows)
                        _count(counts, told)
                        for row in told.refused:
                            _tell(path, row, into, output)
        except (Away, Busy) as error:
            stop(f"{error.findings[0].diagnostics} Start it again to go on.")
    seconds = time.monotonic() - began
    typer.echo(summary(counts, seconds), err=output is Format.NDJSON)
    if counts["refused"]:
        raise typer.Exit(1)


def summary(counts: Counter[str], seconds: float) -> str:
    """How many rows ended how and how quickly, in one line."""
    told = ", ".join(f"{counts[end]} {end}" for end in ENDS)
    rate = counts.total() / seconds if seconds else 0
    return f"{counts.total()} rows: {told}; {seconds:.1f} s, {rate:.0f} rows a second"


def _count(counts: Counter[str], told: Progress) -> None:
    counts.update(told.done)
    counts["refused"] += len(told.refused)


def _tell(path: Path, row: RefusedRow, into: BinaryIO | None, output: Format) -> None:
    """Each refused row in the file of such rows, if there is one, and its reasons here."""
    line = write({"file": path.name} | row.to_json()) + b"\n"
    if into is not None:
        into.write(line)
        into.flush()
    if output is Format.NDJSON:
        sys.stdout.write(line.decode())
        return
    for finding in row.findings:
        where = f" {finding.expression}:" if finding.expression else ""
        typer.echo(f"{path}: row {row.row.number}: refused:{where} {finding.diagnostics}")


def _chunks(stream: BinaryIO, read: Callable[[int], None]) -> Iterator[bytes]:
    while chunk := stream.read(_CHUNK):
        yield chunk
        read(len(chunk))
