"""``airway serve``: the HTTP service."""

from typing import Annotated

import typer

from service import serving
from service.cli.options import UNUSABLE, StoreOption, settings_with, stop
from service.programme.checks.clinic import PolicyError
from service.settings import OpenAccessError


def serve(
    store: StoreOption = None,
    host: Annotated[str | None, typer.Option(help="Address to bind [AIRWAY_HOST]")] = None,
    port: Annotated[int | None, typer.Option(help="Port; 0 for a free one [AIRWAY_PORT]")] = None,
    workers: Annotated[
        int | None, typer.Option(help="Processes that answer, all at one port [AIRWAY_WORKERS]")
    ] = None,
) -> None:
    """Serve the record: FHIR R4 at /fhir, programmes, session uploads, the registry.

    There is no authorisation yet: the service binds this computer only, unless the setting
    AIRWAY_ALLOW_OPEN_ACCESS_BEYOND_THIS_COMPUTER says otherwise.

    Example: airway serve --store airway-record/record.sqlite
    """
    try:
        serving.serve(settings_with(store=store, host=host, port=port, workers=workers))
    except (OpenAccessError, PolicyError, *UNUSABLE) as error:
        stop(str(error))
