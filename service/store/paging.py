"""The order of search results, and the page after a given line.

Pages go by the sort values and the key of the last line, not by counting lines: whatever stays in
place is neither skipped nor repeated while others write.
"""

from collections.abc import Sequence
from typing import Any

from sqlalchemy import ColumnElement, and_, false, func, or_, select

from service.fhir.search.terms import Kind, SortKey
from service.store import tables
from service.store.search import TABLES

_COLUMN: dict[Kind, str] = {
    "token": "code",
    "reference": "target",
    "date": "low",
    "string": "folded",
    "quantity": "low",
    "uri": "uri",
}
"""What each kind is sorted by."""


class Order:
    """An order of rows of ``resource``. The key is last, so no two rows are equal."""

    def __init__(self, sort: Sequence[SortKey]) -> None:
        keys = [*sort, SortKey("_key", "token")]
        self._parts = [(_sort_value(key), key.descending) for key in keys]

    @property
    def values(self) -> list[ColumnElement[Any]]:
        """The columns to select for a cursor, ``sort_0`` onwards."""
        return [value.label(f"sort_{place}") for place, (value, _) in enumerate(self._parts)]

    @property
    def clauses(self) -> list[ColumnElement[Any]]:
        """For ORDER BY: rows without a value last."""
        return [
            (value.desc() if descending else value.asc()).nulls_last()
            for value, descending in self._parts
        ]

    def after(self, last: Sequence[Any]) -> ColumnElement[bool]:
        """Rows that come after the one with these values."""
        steps = []
        equal: list[ColumnElement[bool]] = []
        for (value, descending), given in zip(self._parts, last, strict=True):
            steps.append(and_(*equal, _later(value, given, descending)))
            equal.append(value.is_(None) if given is None else value == given)
        return or_(*steps)


def _sort_value(key: SortKey) -> ColumnElement[Any]:
    own = tables.resource.c
    match key.parameter:
        case "_key":
            return own.key
        case "_id":
            return own.id
        case "_lastUpdated":
            return own.instant
    rows = TABLES[key.kind].c
    column = rows[_COLUMN[key.kind]]
    first = func.max(column) if key.descending else func.min(column)
    return (
        select(first)
        .where(rows.resource == own.key, rows.parameter == key.parameter)
        .scalar_subquery()
    )


def _later(value: ColumnElement[Any], given: Any, descending: bool) -> ColumnElement[bool]:
    if given is None:
        return false()
    return or_(value < given if descending else value > given, value.is_(None))
