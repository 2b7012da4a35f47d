"""``airway store``: looking after the record's store."""

from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Annotated

import typer

from service.cli.options import UNUSABLE, StoreOption, settings_with, stop
from service.cli.progress import rate_bar
from service.compose import build_index, build_parameters, open_store
from service.fhir.json import write
from service.record.upkeep import reindex, verify
from service.store.contract import Store, StoreAwayError, StoreBusyError

app = typer.Typer(
    name="store", no_args_is_help=True, help="Look after the record's store.", rich_markup_mode=None
)


@app.command("verify")
def verify_store(
    store: StoreOption = None,
    report: Annotated[
        Path | None,
        typer.Option(help="File for what does not agree, one JSON object a line (it may name)."),
    ] = None,
) -> None:
    """Check that everything in the store agrees, on all cores.

    That each resource is found by exactly what it says, versions have no gaps, the current version
    is the last one, and the outbox tells of every version. Others may read and write meanwhile.
    Exit status 1 if something does not agree.

    Example: airway store verify --report flaws.ndjson
    """
    kinds: Counter[str] = Counter()
    seen = 0
    with _opened(store) as opened, rate_bar("Verifying") as done:
        into = report.open("wb") if report else None
        for count, found in verify(opened, build_index):
            done(count)
            seen += count
            for one in found:
                kinds[one.told] += 1
                if into is not None:
                    into.write(write(one.to_json()) + b"\n")
        if into is not None:
            into.close()
    for told, times in sorted(kinds.items()):
        typer.echo(f"{times:>8} {told}")
    typer.echo(f"{seen} resources, {kinds.total()} flaws")
    if kinds:
        raise typer.Exit(1)


@app.command("reindex")
def reindex_store(store: StoreOption = None) -> None:
    """Let every resource be found by what it says, after search parameters changed.

    The service may run meanwhile; restart it first, so that it knows the new parameters too. If
    this is cut off, start it again: what is right already is passed over.

    Example: airway store reindex
    """
    seen = changed = 0
    with _opened(store) as opened, rate_bar("Indexing") as done:
        try:
            for count, found in reindex(opened, build_index, build_parameters().digest):
                done(count)
                seen += count
                changed += len(found)
        except StoreBusyError:
            stop("Others wrote for too long. Start it again to go on.")
    typer.echo(f"{seen} resources, {changed} indexed again")


@contextmanager
def _opened(given: str | None) -> Iterator[Store]:
    where = settings_with(store=given).store
    if isinstance(where, Path) and not where.is_file():
        stop(f"There is no record at {where}")
    try:
        with open_store(where) as opened:
            yield opened
    except (StoreAwayError, *UNUSABLE) as error:
        stop(f"The store cannot be used: {error}")
