"""Index rows as lines of the index tables."""

from collections.abc import Iterable
from decimal import Decimal
from hashlib import sha256
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

LONGEST_NAME, LONGEST_TEXT = 300, 600
"""Characters by which texts are compared: an engine limits how long an entry of an index may be
(PostgreSQL: a third of a page, 2,704 bytes). Names come in pairs, other texts alone."""

_DIGEST = 64
_MIDDLE = 50_000
"""Added to powers of ten, which stay far below it, so that they are never negative."""
_NINES = str.maketrans("0123456789", "9876543210")


def rows(entries: Iterable[tuple[int, Entry]]) -> dict[Table, list[dict[str, Any]]]:
    """The lines to insert for resources by their keys, each once."""
    found: dict[Table, list[dict[str, Any]]] = {}
    for key, entry in entries:
        lines = ((row.parameter, *_line(row)) for row in entry.index)
        once = {(name, table, *values.values()): values for name, table, values in lines}
        for (name, table, *_), values in once.items():
            head = {"resource": key, "parameter": name, "type": entry.version.type}
            found.setdefault(table, []).append(head | values)
    return found


def _line(row: IndexRow) -> tuple[Table, dict[str, Any]]:
    match row:
        case TokenRow():
            return tables.token, {"system": cut(row.system), "code": cut(row.code)}
        case ReferenceRow():
            return tables.reference, {
                "target_type": row.type,
                "target": cut(row.id, LONGEST_TEXT),
            }
        case DateRow():
            return tables.date, {"low": row.low, "high": row.high}
        case StringRow():
            return tables.string, {"folded": cut(row.folded), "text": cut(row.text)}
        case QuantityRow():
            amounts = {"low": sortable(row.low), "high": sortable(row.high)}
            return tables.quantity, amounts | {"system": cut(row.system), "code": cut(row.code)}
        case UriRow():
            return tables.uri, {"uri": cut(row.uri, LONGEST_TEXT)}


def cut(text: str, longest: int = LONGEST_NAME) -> str:
    """What stands for a text in an index: itself, or its beginning and a digest of all of it.

    Different texts stay different. No text of a valid resource has a NUL, but a question may.
    """
    text = text.replace("\0", "\ufffd")
    if len(text) <= longest:
        return text
    return beginning(text, longest) + sha256(text.encode("utf-8", "replace")).hexdigest()


def beginning(text: str, longest: int = LONGEST_NAME) -> str:
    """The part of a text by which those that begin with it are found."""
    return text.replace("\0", "\ufffd")[: longest - _DIGEST]


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
