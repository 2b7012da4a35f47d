"""Index rows as lines of the index tables."""

import marshal
from collections.abc import Iterable, Sequence
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
from service.store.contract import Entry, IndexLine, PackedIndex

LONGEST_NAME, LONGEST_TEXT = 300, 600
"""Characters by which texts are compared: an engine limits how long an entry of an index may be
(PostgreSQL: a third of a page, 2,704 bytes). Names come in pairs, other texts alone."""

BY_SUBJECT = "/"
"""Stands before the id of a patient whom a resource has as its ``subject`` and not its ``patient``;
nearly all have both. No id has a slash."""

_DIGEST = 64
_MIDDLE = 50_000
"""Added to powers of ten, which stay far below it, so that they are never negative."""
_NINES = str.maketrans("0123456789", "9876543210")


Lines = dict[str, list[tuple[Any, ...]]]
"""By index table, what a resource is found by: the parameter and the values of each line, once."""


def lines(rows: Iterable[IndexRow]) -> Lines:
    """The lines that index rows become, but for what is the same in all: the resource, its type.

    A date has a line for each patient whom the resource is about, or one for nobody.
    """
    found: dict[str, dict[tuple[Any, ...], None]] = {}
    for row in rows:
        name, line = _line(row)
        once = found.get(name)
        if once is None:
            once = found[name] = {}
        once[line] = None
    made = {name: list(once) for name, once in found.items()}
    if "date" in made:
        patients = _patients(made.get("reference", ()))
        made["date"] = [(*line, patient) for line in made["date"] for patient in patients]
    return made


def _patients(references: Iterable[tuple[Any, ...]]) -> Sequence[str]:
    """Whom a resource is about, by its lines of ``reference``; nobody is an empty text."""
    told: dict[str, list[str]] = {"patient": [], "subject": []}
    for parameter, type_, target in references:
        if type_ == "Patient" and parameter in told:
            told[parameter].append(target)
    patients, subjects = told.values()
    return [*patients, *(BY_SUBJECT + one for one in subjects if one not in patients)] or [""]


def line_set(rows: Iterable[IndexRow]) -> set[IndexLine]:
    """The lines that index rows become, as a store tells of its own."""
    return {(name, *line) for name, some in lines(rows).items() for line in some}


def pack(rows: Iterable[IndexRow]) -> PackedIndex:
    """Index rows made ready, to be handed from one process to another."""
    return PackedIndex(marshal.dumps(lines(rows)))


def rows(entries: Iterable[tuple[int, Entry]]) -> dict[Table, list[tuple[Any, ...]]]:
    """The lines to insert for resources by their keys, each as its table's columns are."""
    found: dict[Table, list[tuple[Any, ...]]] = {}
    for key, entry in entries:
        type_ = entry.version.type
        for name, some in _lines_of(entry).items():
            table = tables.metadata.tables[name]
            found.setdefault(table, []).extend((key, *line, type_) for line in some)
    return found


def _lines_of(entry: Entry) -> Lines:
    if isinstance(entry.index, PackedIndex):
        unpacked: Lines = marshal.loads(entry.index.data)  # noqa: S302  # our own processes made it
        return unpacked
    return lines(entry.index)


def _line(row: IndexRow) -> tuple[str, tuple[Any, ...]]:
    """The table; the parameter and then the values in the order of the table's columns."""
    match row:
        case TokenRow():
            return "token", (row.parameter, cut(row.system), cut(row.code))
        case ReferenceRow():
            return "reference", (row.parameter, row.type, cut(row.id, LONGEST_TEXT))
        case DateRow():
            return "date", (row.parameter, row.low, row.high)
        case StringRow():
            return "string", (row.parameter, cut(row.folded), cut(row.text))
        case QuantityRow():
            amounts = (sortable(row.low), sortable(row.high))
            return "quantity", (row.parameter, *amounts, cut(row.system), cut(row.code))
        case UriRow():
            return "uri", (row.parameter, cut(row.uri, LONGEST_TEXT))


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
