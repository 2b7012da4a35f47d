"""``airway serve``: the HTTP service."""

from pathlib import Path
from typing import Annotated, Any

import typer
from pydantic import ValidationError

from service import compose
from service.cli.options import StoreOption, stop
from service.programme.checks.clinic import PolicyError
from service.settings import OpenAccessError, Settings
from service.store.contract import StoreFormatError


def serve(
    store: StoreOption = None,
    host: Annotated[str | None, typer.Option(help="Address to bind [AIRWAY_HOST]")] = None,
    port: Annotated[int | None, typer.Option(help="Port; 0 for a free one [AIRWAY_PORT]")] = None,
) -> None:
    """Serve the record: FHIR R4 at /fhir, programmes, session uploads, the registry.

    There is no authorisation yet: the service binds this computer only, unless the setting
    AIRWAY_ALLOW_OPEN_ACCESS_BEYOND_THIS_COMPUTER says otherwise.

    Example: airway serve --store airway-record/record.sqlite
    """
    try:
        compose.serve(settings_with(store=store, host=host, port=port))
    except (OpenAccessError, PolicyError, StoreFormatError, OSError) as error:
        stop(str(error))


def settings_with(**given: Path | str | int | None) -> Settings:
    """The environment's settings, with what the command line gave in place of them."""
    named: dict[str, Any] = {name: value for name, value in given.items() if value is not None}
    try:
        return Settings(**named)
    except ValidationError as error:
        first = error.errors()[0]
        stop(f"AIRWAY_{str(first['loc'][0]).upper()}: {first['msg']}")
