"""Session feeds: rows of somebody's file, as documents.

A feed is JSON lines (each line a session document, or with ``kind`` a health state, a pause or a
technique review) or CSV through a column map. Rows are read one by one as they come; what is wrong
with one is said with its number and never stops the next. Whether a document makes sense is not
judged here.

Rows are numbered from 1; blank lines and the CSV header have no number.
"""

import csv
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from datetime import datetime, tzinfo
from typing import Any, Literal, Protocol, get_args

from service.fhir.json import JsonError, JsonObject, read
from service.fhir.outcome import Finding, has_errors, json_finding, shown
from service.mapping.feed_columns import (
    CellError,
    ColumnMap,
    Reading,
    Value,
    cell_finding,
    convert,
    twice,
)
from service.mapping.feed_lines import MAX_LINE_BYTES, Line, LineTooLong
from service.programme.zones import zone

Kind = Literal["session", "health-state", "pause", "technique-review"]
KINDS: tuple[Kind, ...] = get_args(Kind)

_BYTE_ORDER_MARK = b"\xef\xbb\xbf"


@dataclass(frozen=True, slots=True)
class FeedRow:
    """One row: the document it holds, and what was found in reading.

    Of a row in which some cell could not be read, ``document`` is the rest.
    """

    number: int
    kind: Kind
    document: JsonObject | None
    findings: tuple[Finding, ...] = ()

    @property
    def is_readable(self) -> bool:
        """Whether ``document`` is all that the row says."""
        return self.document is not None and not has_errors(self.findings)


class FeedError(Exception):
    """A feed of which no row can be read: no such zone, or columns missing. Has findings."""

    def __init__(self, finding: Finding) -> None:
        super().__init__(finding.diagnostics)
        self.findings = [finding]


class Feed(Protocol):
    """Reads the lines of one feed, in their order."""

    def row(self, line: Line) -> FeedRow | None:
        """The row in ``line``; None for a blank line or a header. Raises ``FeedError``."""


def rows_of(feed: Feed, lines: Iterable[Line]) -> Iterator[FeedRow]:
    """The rows of a feed. Raises ``FeedError``."""
    for line in lines:
        row = feed.row(line)
        if row is not None:
            yield row


class JsonLines:
    """Documents as the service itself writes them, one a line.

    ``source`` is who sends them, for those that do not say so themselves.
    """

    def __init__(self, source: str | None = None) -> None:
        self._source = {"source": source} if source else {}
        self._number = 0

    def row(self, line: Line) -> FeedRow | None:
        if isinstance(line, bytes) and not line.strip():
            return None
        self._number += 1
        if isinstance(line, LineTooLong):
            return _refused(self._number, _too_long())
        try:
            document = read(line)
        except JsonError as error:
            return _refused(self._number, json_finding(error))
        return _document_row(self._number, document, self._source)


class CsvRows:
    """A table with a header, read through a column map.

    ``zone_name`` is the IANA zone of this sender's local times and ``source`` who it is; without
    them what the map says holds. Raises ``FeedError`` for a zone that does not exist.
    """

    def __init__(
        self, column_map: ColumnMap, zone_name: str | None = None, source: str | None = None
    ) -> None:
        self._map = column_map
        self._fixed = column_map.fixed | ({"source": source} if source else {})
        self._zone = _zone(zone_name or column_map.zone)
        self._header: list[str] | None = None
        self._number = 0

    def row(self, line: Line) -> FeedRow | None:
        if isinstance(line, bytes) and not line.strip():
            return None
        if self._header is None:
            self._header = self._read_header(line)
            return None
        self._number += 1
        try:
            cells = self._cells(line)
        except CellError as error:
            return _refused(self._number, Finding("error", "structure", "", str(error)))
        if len(cells) != len(self._header):
            expected = f"{len(self._header)} cells are expected, {len(cells)} found"
            return _refused(self._number, Finding("error", "structure", "", expected))
        return self._document(dict(zip(self._header, cells, strict=True)))

    def _read_header(self, line: Line) -> list[str]:
        if isinstance(line, bytes):
            line = line.removeprefix(_BYTE_ORDER_MARK)
        try:
            header = self._cells(line)
        except CellError as error:
            raise FeedError(Finding("error", "structure", "", f"first row: {error}")) from None
        missing = sorted(self._map.columns - set(header))
        if missing:
            raise FeedError(
                Finding(
                    "error",
                    "structure",
                    "",
                    f"The first row must name the columns of {self._map.name}; missing: "
                    + ", ".join(missing),
                )
            )
        doubled = sorted(name for name in self._map.columns if header.count(name) > 1)
        if doubled:
            raise FeedError(
                Finding("error", "structure", "", f"Columns named twice: {', '.join(doubled)}")
            )
        return header

    def _cells(self, line: Line) -> list[str]:
        if isinstance(line, LineTooLong):
            raise CellError(_too_long().diagnostics)
        try:
            text = line.decode("utf-8")
            cells = next(csv.reader([text], delimiter=self._map.delimiter, strict=True))
        except UnicodeDecodeError:
            raise CellError("text is not UTF-8") from None
        except csv.Error as error:
            raise CellError(f"not a row of CSV: {error}") from None
        return [cell.strip() for cell in cells]

    def _document(self, cells_by_column: dict[str, str]) -> FeedRow:
        reading = Reading(self._map, self._zone)
        document: JsonObject = dict(self._fixed)
        findings = []
        for row in self._map.fields:
            cells = [cells_by_column[column] for column in row.columns]
            try:
                value = convert(row, cells, reading)
            except CellError as error:
                findings.append(cell_finding(row, cells, error))
                continue
            if row.field == "start" and isinstance(value, datetime):
                reading = replace(reading, start=value)
            note = twice(row, value)
            findings.extend([note] if note else [])
            _place(document, row.field, value)
        return FeedRow(self._number, "session", document, tuple(findings))


def _document_row(number: int, document: Any, defaults: JsonObject) -> FeedRow:
    if not isinstance(document, dict):
        found = f"one JSON object a line is expected, found {shown(document)}"
        return _refused(number, Finding("error", "structure", "", found))
    kind = document.get("kind", "session")
    if kind not in KINDS:
        found = f"one of {', '.join(KINDS)} is expected, found {shown(kind)}"
        return _refused(number, Finding("error", "value", "kind", found))
    content = {name: value for name, value in document.items() if name != "kind"}
    return FeedRow(number, kind, defaults | content)


def _refused(number: int, finding: Finding) -> FeedRow:
    return FeedRow(number, "session", None, (finding,))


def _too_long() -> Finding:
    return Finding("error", "too-long", "", f"the row is longer than {MAX_LINE_BYTES} bytes")


def _zone(name: str) -> tzinfo:
    try:
        return zone(name)
    except KeyError:
        raise FeedError(
            Finding("error", "value", "", f"zone: an IANA zone is expected, found {shown(name)}")
        ) from None


def _place(document: JsonObject, path: str, value: Value | None) -> None:
    """Puts ``value`` where the dotted ``path`` says; an absent one leaves nothing behind."""
    if value is None:
        return
    *parents, name = path.split(".")
    for parent in parents:
        document = document.setdefault(parent, {})
    document[name] = value.isoformat() if isinstance(value, datetime) else value
