"""What several commands share: options, opening the record, ending with a reason."""

from collections.abc import Iterator
from contextlib import contextmanager
from enum import StrEnum
from pathlib import Path
from typing import Annotated, NoReturn

import typer

from service.compose import build_record, build_validator, open_store
from service.record import Record
from service.settings import Settings


class Format(StrEnum):
    """How a command prints what it found."""

    TEXT = "text"
    NDJSON = "ndjson"


StoreOption = Annotated[
    Path | None,
    typer.Option(help="The file that holds the record [AIRWAY_STORE]", show_default=False),
]


@contextmanager
def open_record(store: Path | None, *, must_exist: bool = False) -> Iterator[Record]:
    """The record in ``store``, else in the file of the settings; exits if it should be there."""
    path = store or Settings().store
    if must_exist and not path.is_file():
        stop(f"There is no record at {path}")
    with open_store(path) as opened:
        yield build_record(opened, build_validator())


def stop(why: str) -> NoReturn:
    """End the command: the request cannot be carried out (exit status 2)."""
    typer.echo(why, err=True)
    raise typer.Exit(2)
