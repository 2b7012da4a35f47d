"""Options that several commands share."""

from pathlib import Path
from typing import Annotated

import typer

StoreOption = Annotated[
    Path | None,
    typer.Option(help="The file that holds the record [AIRWAY_STORE]", show_default=False),
]
