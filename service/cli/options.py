"""What several commands share: options, opening the record, ending with a reason."""

from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from enum import StrEnum
from pathlib import Path
from tarfile import TarError
from typing import Annotated, Any, NoReturn

import typer
from pydantic import ValidationError

from service.compose import build_record, build_validator, load_policy, open_store
from service.fhir.definitions import DefinitionError
from service.fhir.json import JsonError
from service.programme.checks import Policy
from service.programme.checks.clinic import PolicyError
from service.record import Record
from service.record.errors import Away, Busy
from service.settings import Settings
from service.store.contract import StoreBusyError, StoreFormatError


class Format(StrEnum):
    """How a command prints what it found."""

    TEXT = "text"
    NDJSON = "ndjson"


UNUSABLE = (StoreFormatError, StoreBusyError, DefinitionError, JsonError, TarError, OSError)
"""Why a file of the record or of further definitions cannot be used."""

StoreOption = Annotated[
    str | None,
    typer.Option(
        help="The file that holds the record, or a postgresql:// address [AIRWAY_STORE]",
        show_default=False,
    ),
]


@contextmanager
def open_record(store: str | None, *, must_exist: bool = False) -> Iterator[Record]:
    """The record in ``store``, else in that of the settings; exits if its file should be there."""
    where = settings_with(store=store).store
    if must_exist and isinstance(where, Path) and not where.is_file():
        stop(f"There is no record at {where}")
    with ExitStack() as stack:
        try:
            validator = build_validator()
            opened = stack.enter_context(open_store(where))
        except UNUSABLE as error:
            place = where if isinstance(where, Path) else "the database"
            stop(f"The record at {place} cannot be opened: {error}")
        try:
            yield build_record(opened, validator, policy=policy_of_settings())
        except (Away, Busy) as error:
            stop(error.findings[0].diagnostics)


def policy_of_settings() -> Policy:
    """The clinic's policy, or the defaults; exits if it cannot be understood."""
    try:
        return load_policy(settings_with())
    except PolicyError as error:
        stop(str(error))


def stop(why: str) -> NoReturn:
    """End the command: the request cannot be carried out (exit status 2)."""
    typer.echo(why, err=True)
    raise typer.Exit(2)


def settings_with(**given: Path | str | int | None) -> Settings:
    """The environment's settings, with what the command line gave in place of them."""
    named: dict[str, Any] = {name: value for name, value in given.items() if value is not None}
    try:
        return Settings(**named)
    except ValidationError as error:
        first = error.errors()[0]
        stop(f"AIRWAY_{str(first['loc'][0]).upper()}: {first['msg']}")
