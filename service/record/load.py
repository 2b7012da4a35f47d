"""Files of session logs into the record."""

from collections.abc import Callable, Iterator, Sequence
from datetime import datetime
from functools import cache
from pathlib import Path
from typing import BinaryIO, NamedTuple

from service.fhir.outcome import Finding
from service.mapping.feed_columns import ColumnMap, load_column_maps
from service.mapping.feed_lines import lines_of
from service.mapping.feeds import CsvRows, Feed, FeedError, JsonLines, rows_of
from service.programme.checks import Policy
from service.record.changes import Actor
from service.record.record import Record
from service.record.row_answers import RowAnswer
from service.record.sessions import Upload
from service.resources import mappings_dir

_CHUNK = 64 * 1024
_JSON_LINES = frozenset({".ndjson", ".jsonl"})

Progress = Callable[[int], None]
"""Told of each piece that was read, in bytes."""


class LoadedRow(NamedTuple):
    """What became of one row of one file."""

    path: Path
    answer: RowAnswer


@cache
def column_maps() -> dict[str, ColumnMap]:
    """The column maps of this service by name."""
    return load_column_maps(mappings_dir() / "feeds")


def csv_feed(name: str | None, zone: str | None = None, source: str | None = None) -> Feed:
    """A CSV feed through the column map of that name. Raises ``FeedError``."""
    known = column_maps()
    if name not in known:
        told = f"a column map is expected, one of {', '.join(known)}; found {name or 'none'}"
        raise FeedError(Finding("error", "value", "", told))
    return CsvRows(known[name], zone, source)


def load_files(
    record: Record,
    by: Actor,
    paths: Sequence[Path],
    *,
    received: datetime,
    column_map: str | None = None,
    zone: str | None = None,
    device_clock: datetime | None = None,
    policy: Policy | None = None,
    progress: Progress | None = None,
) -> Iterator[LoadedRow]:
    """Loads files one after the other; each row's answer comes once the row is kept.

    ``.ndjson`` and ``.jsonl`` are JSON lines, everything else is CSV through ``column_map``; for
    the rest see ``Upload`` and ``CsvRows``. Raises ``FeedError`` for a file of which no row can be
    read (those before it are loaded) and ``OSError`` for one that cannot be opened.
    """
    for path in paths:
        feed = JsonLines() if path.suffix in _JSON_LINES else csv_feed(column_map, zone)
        upload = Upload(record, by, received=received, device_clock=device_clock, policy=policy)
        with path.open("rb") as stream:
            lines = lines_of(_chunks(stream, progress))
            for answer in upload.take(rows_of(feed, lines)):
                yield LoadedRow(path, answer)


def _chunks(stream: BinaryIO, progress: Progress | None) -> Iterator[bytes]:
    while chunk := stream.read(_CHUNK):
        yield chunk
        if progress:
            progress(len(chunk))
