"""Opaque paging cursors: the sort values and key of the last line of a page."""

import base64
import binascii
from typing import Any

import orjson

from service.store.contract import CursorError

_INT64 = range(-(2**63), 2**63)


def encode(*values: str | int | None) -> str:
    """Text that is safe in a URL."""
    return base64.urlsafe_b64encode(orjson.dumps(values)).rstrip(b"=").decode()


def decode(cursor: str, length: int) -> list[Any]:
    """The values, as many as the question has sort keys. Raises CursorError."""
    try:
        values = orjson.loads(base64.urlsafe_b64decode(cursor + "=" * (-len(cursor) % 4)))
    except (binascii.Error, ValueError):
        raise CursorError from None
    if not isinstance(values, list) or len(values) != length or not all(map(_plain, values)):
        raise CursorError
    return values


def _plain(value: Any) -> bool:
    return value is None or isinstance(value, str) or (type(value) is int and value in _INT64)
