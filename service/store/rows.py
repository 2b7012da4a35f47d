"""Versions as lines of the tables, and back."""

from collections.abc import Sequence
from datetime import UTC, datetime, timedelta
from typing import Any

from sqlalchemy import Row

from service.store.contract import Entry, Key, Page, Version
from service.store.cursor import encode

AnyRow = Row[*tuple[Any, ...]]

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_MICROSECOND = timedelta(microseconds=1)


def to_microseconds(instant: datetime) -> int:
    """Microseconds since 1970 in UTC."""
    return (instant - _EPOCH) // _MICROSECOND


def from_microseconds(microseconds: int) -> datetime:
    """The aware instant in UTC."""
    return _EPOCH + microseconds * _MICROSECOND


def as_version(row: AnyRow) -> Version:
    """A line that has the columns of ``version``."""
    instant = from_microseconds(row.instant)
    return Version(row.type, row.id, row.version, instant, row.deleted, row.body)


def as_looked_up(row: Sequence[Any]) -> Version:
    """The driver's own line of type, id, version, instant, deleted and body."""
    type_, id_, number, at, deleted, body = row
    return Version(type_, id_, number, from_microseconds(at), bool(deleted), body)


def page(rows: Sequence[AnyRow], count: int | None) -> Page:
    """The first ``count`` rows; one more among ``rows`` says that there is another page."""
    versions = tuple(map(as_version, rows[:count]))
    if count is None or len(rows) <= count or not versions:
        return Page(versions, None)
    last = rows[count - 1]._mapping
    return Page(versions, encode(*(last[name] for name in last if name.startswith("sort_"))))


def key_of(entry: Entry) -> Key:
    """What the entry is a version of."""
    return (entry.version.type, entry.version.id)


def version_row(version: Version, number: int) -> tuple[Any, ...]:
    """A line of ``version``; ``number`` is its place among all."""
    instant = to_microseconds(version.instant)
    return (
        number,
        version.type,
        version.id,
        version.version,
        instant,
        version.deleted,
        version.body,
    )


def outbox_row(version: Version, number: int) -> tuple[Any, ...]:
    """A line of ``outbox``."""
    return (number, version.type, version.id, version.version)


def resource_row(key: int, number: int, entry: Entry) -> tuple[Any, ...]:
    """A line of ``resource`` that points at the version ``number``."""
    version = entry.version
    instant = to_microseconds(version.instant)
    return (key, version.type, version.id, number, instant, version.deleted)


def move(key: int, number: int, entry: Entry) -> dict[str, Any]:
    """What changes in the line of a resource that is there already."""
    return {
        "known": key,
        "current": number,
        "instant": to_microseconds(entry.version.instant),
        "deleted": entry.version.deleted,
    }
