"""Text to objects for the quick path, without rounding a number or losing a repeated name.

orjson reads a text; what it then writes is compared with what came. If both are the same but for
white space, no name was repeated (one of two would be gone), no number was rounded or rewritten,
and every float is the decimal that was written. Any other text takes the exact reader.
"""

from typing import Any

import orjson

from service.fhir.json import MAX_BYTES, JsonError, read

_BLANK = b" \t\r\n"


def read_quickly(data: bytes) -> Any | None:
    """The value, with floats for decimals; None where only the exact reader will do."""
    if len(data) > MAX_BYTES:
        return None
    try:
        value = orjson.loads(data)
    except orjson.JSONDecodeError:
        return None
    written = orjson.dumps(value)
    if written == data or written.translate(None, _BLANK) == data.translate(None, _BLANK):
        return value
    return None


def read_exactly(data: bytes) -> Any | None:
    """The value, with Decimals; None where it cannot be read."""
    try:
        return read(data)
    except JsonError:
        return None
