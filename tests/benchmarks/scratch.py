"""Places for the records of a benchmark; they are large, and gone at its end."""

import atexit
import shutil
import tempfile
from pathlib import Path

from engines import forget, postgres_address


def folder() -> Path:
    made = Path(tempfile.mkdtemp(prefix="airway-bench-"))
    atexit.register(remove, made)
    return made


def store_in(place: Path, engine: str) -> str:
    """What ``airway serve --store`` takes, and what ``engines.ENGINES`` opens for the folder."""
    return str(place / "store.db") if engine == "sqlite" else postgres_address(place)


def remove(place: Path) -> None:
    """The folder and all in it, at once; nothing may have it open."""
    shutil.rmtree(place, ignore_errors=True)


def drop(place: Path, engine: str) -> None:
    """The record of a folder, before the next needs its room."""
    remove(place)
    if engine == "postgresql":
        forget(place)
