"""Rows of a mapping table, as they stand in its file."""

import csv
import re
from dataclasses import dataclass
from pathlib import Path

from service.mapping.errors import TableError

HEADER = ["document", "element", "converter", "map", "note"]
_IN_CODE = frozenset({"link", "resource"})
"""Converters of rows that document what code does: references, and which resources there are."""
_DOCUMENT = re.compile(r"-|[A-Z][A-Za-z]*(\.[a-z][A-Za-z0-9]*(\[\])?)+")


@dataclass(frozen=True, slots=True)
class Row:
    """One line: document path, element path, converter and its argument.

    ``root`` is the model that the document path begins with, ``field`` the rest; both are empty
    for a row that writes a fixed value. ``place`` is file and line, for messages.
    """

    root: str
    field: str
    element: str
    converter: str
    argument: str
    place: str

    @property
    def is_applied(self) -> bool:
        """Whether the table applies the row; the others document what code does."""
        return self.converter not in _IN_CODE


def read_rows(path: Path) -> list[Row]:
    """The rows of a table file. Raises TableError when it is missing or not of the known shape."""
    if not path.is_file():
        raise TableError(f"there is no table {path.name}")
    with path.open(encoding="utf-8", newline="") as lines:
        reader = csv.reader(lines)
        if next(reader, None) != HEADER:
            raise TableError(f"{path.name}: the columns are not {', '.join(HEADER)}")
        return [_row(cells, f"{path.name}:{reader.line_num}") for cells in reader]


def _row(cells: list[str], place: str) -> Row:
    if len(cells) != len(HEADER):
        raise TableError(f"{place}: {len(cells)} columns found, {len(HEADER)} expected")
    document, element, converter, argument, _note = cells
    if not _DOCUMENT.fullmatch(document):
        raise TableError(f"{place}: {document!r} is not a document path")
    root, _, field = document.partition(".")
    return Row(root.strip("-"), field, element, converter, argument, place)
