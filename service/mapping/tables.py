"""All mapping tables, read and compiled once. Start-up fails here when one does not fit."""

from collections.abc import Iterator, Mapping
from functools import cache
from pathlib import Path

from service.mapping.compile import Compiler, Table
from service.mapping.conceptmaps import load_concept_maps
from service.mapping.coverage import coverage_faults
from service.mapping.errors import TableError
from service.mapping.rows import Row, read_rows
from service.programme.base import Document
from service.programme.log import HealthState, Pause, Session
from service.programme.plan import (
    Child,
    Device,
    Diagnosis,
    Goal,
    Professional,
    Programme,
    Regimen,
    Review,
    Screen,
    Team,
)
from service.programme.review import TechniqueReview
from service.programme.schedule import Schedule
from service.resources import mappings_dir

PARTS: Mapping[str, type[Document]] = {
    "schedule": Schedule,
    "careplan": Programme,
    "regimen": Regimen,
    "device": Device,
    "review": Review,
    "goal": Goal,
    "child": Child,
    "professional": Professional,
    "team": Team,
    "diagnosis": Diagnosis,
    "screen": Screen,
    "session": Session,
    "health-state": HealthState,
    "pause": Pause,
    "technique-review": TechniqueReview,
}
"""Table to the model that it carries; ``schedule`` first, because others hand over to it."""
LOGS = frozenset({"session", "health-state", "pause", "technique-review"})
SET_BY_CODE = frozenset(
    {
        "Child.reference",
        "Professional.reference",
        "Team.reference",
        "Diagnosis.reference",
        "Screen.reference",
        "Goal.own",
        "Session.id",
        "Session.regimen",
        "Session.performer",
        "HealthState.id",
        "Pause.id",
        "TechniqueReview.id",
        "TechniqueReview.reviewer",
    }
)
"""Fields that ``parties``, ``programme`` and ``logs`` set: references, and identity of logs."""


@cache
def tables() -> Mapping[str, Table]:
    """The project's own tables, by the names in ``PARTS``. Raises TableError."""
    return load_tables(mappings_dir())


def load_tables(folder: Path) -> Mapping[str, Table]:
    """Compile the tables in ``folder``.

    Raises TableError: with every field that has no row and every row without a field, or with the
    first row that cannot be compiled.
    """
    translations = load_concept_maps(folder / "conceptmaps")
    rows = {part: read_rows(_file(folder, part)) for part in PARTS}
    faults = [fault for part in PARTS for fault in _faults(part, rows[part])]
    if faults:
        raise TableError("\n".join(faults))
    compiled: dict[str, Table] = {}
    for part, model in PARTS.items():
        compiled[part] = Compiler(translations, compiled).table(rows[part], model.__name__)
    return compiled


def _file(folder: Path, part: str) -> Path:
    return folder / ("log" if part in LOGS else "programme") / f"{part}.csv"


def _faults(part: str, rows: list[Row]) -> Iterator[str]:
    return coverage_faults(f"{part}.csv", PARTS[part], rows, PARTS, Programme, SET_BY_CODE)
