"""Versions without a meaning, for tests of stores."""

from datetime import UTC, datetime, timedelta
from typing import Any

from service.store.contract import Version

NOON = datetime(2031, 3, 9, 12, 0, tzinfo=UTC)


def version(id_: str, number: int = 1, *, type_: str = "Observation", **other: Any) -> Version:
    """Version ``number``, made that many minutes after noon."""
    instant = other.get("instant", NOON + timedelta(minutes=number))
    deleted = other.get("deleted", False)
    body = b"" if deleted else other.get("body", f"{type_} {id_} {number}".encode())
    return Version(type_, id_, number, instant, deleted, body)
