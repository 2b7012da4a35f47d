"""Index rows as lines of the index tables."""

from collections.abc import Iterable
from decimal import Decimal
from typing import Any

from sqlalchemy import Table

from service.fhir.search.terms import (
    DateRow,
    IndexRow,
    QuantityRow,
    ReferenceRow,
    StringRow,
    TokenRow,
    UriRow,
)
from service.store import tables
from service.store.contract import Entry

_MIDDLE = 50_000
"""Added to powers of ten, which stay far below it, so that they are never negative."""
_NINES = str.maketrans("0123456789", "9876543210")


def rows(entries: Iterable[tuple[int, Entry]]) -> dict[Table, list[dict[str, Any]]]:
    """The lines to insert for resources by their keys, each once."""
    found: dict[Table, list[dict[str, Any]]] = {}
    for key, entry in entries:
        for row in dict.fromkeys(entry.index):
            table, values = _line(row)
            head = {"resource": key, "parameter": row.parameter, "type": entry.version.type}
            found.setdefault(table, []).append(head | values)
    return found


def _line(row: IndexRow) -> tuple[Table, dict[str, Any]]:
    match row:
        case TokenRow():
            return tables.token, {"system": row.system, "code": row.code}
        case ReferenceRow():
            return tables.reference, {"target_type": row.type, "target": row.id}
        case DateRow():
            return tables.date, {"low": row.low, "high": row.high}
        case StringRow():
            return tables.string, {"folded": row.folded, "text": row.text}
        case QuantityRow():
            amounts = {"low": sortable(row.low), "high": sortable(row.high)}
            return tables.quantity, amounts | {"system": row.system, "code": row.code}
        case UriRow():
            return tables.uri, {"uri": row.uri}


def sortable(number: Decimal) -> str:
    """Text that sorts among its like exactly as the numbers do; equal numbers, equal text.

    Sign, then the power of ten, then the digits; for negative numbers all turned round.
    """
    digits = "".join(map(str, number.as_tuple().digits)).strip("0")
    if not digits:
        return "1"
    power = f"{number.adjusted() + _MIDDLE:06d}"
    if number > 0:
        return f"2{power}{digits}"
    return f"0{power.translate(_NINES)}{digits.translate(_NINES)}~"
