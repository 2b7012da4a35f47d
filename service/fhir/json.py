"""FHIR JSON in and out of memory, without losing a digit.

Objects become ``dict`` in the order that arrived, arrays ``list``, whole numbers ``int``, numbers
with a fraction or an exponent ``decimal.Decimal`` that print as the digits that arrived. Whole
numbers beyond 64 bits come as ``Decimal`` too: no FHIR integer is that large, a decimal may be.

Refused, with line, column and path: text that is not JSON (RFC 8259, so no NaN or Infinity), a
property name repeated in one object, unpaired surrogates, and what is beyond the documented limits
of size, depth and digits.
"""

import json as _stdlib_json
import re
from decimal import Decimal, InvalidOperation
from typing import Any

import msgspec
import orjson

from service.fhir.json_faults import Fault, find_fault, place

JsonObject = dict[str, Any]

MAX_BYTES = 16 * 1024 * 1024
"""Largest text read unless the caller sets another limit."""
MAX_DEPTH = 64
"""Deepest nesting of objects and arrays."""
MAX_DIGITS = 400
"""Longest number literal, in characters."""
MAX_EXPONENT = 1000
"""Largest power of ten, up or down, that a number may reach."""

_INT64 = range(-(2**63), 2**64)
_SURROGATE_ESCAPE = re.compile(r"\\u[dD][89a-fA-F]", re.ASCII)
_MINUS_NOTHING = re.compile(rb"-0(?<=[:,\[\s]-0)")
_ALL_DIGITS_ALIKE = bytes.maketrans(b"123456789", b"000000000")
_BEYOND = b"0" * 19
"""So many digits may be more than 64 bits hold."""


class JsonError(ValueError):
    """Text that cannot be read as FHIR JSON.

    ``line`` and ``column`` count from 1; ``path`` is the place reached in FHIRPath style, empty at
    the root; ``code`` is the FHIR issue type (``structure``, ``too-long``, ``too-costly``).
    """

    def __init__(
        self, message: str, line: int, column: int, path: str = "", code: str = "structure"
    ) -> None:
        super().__init__(message)
        self.message, self.code = message, code
        self.line, self.column, self.path = line, column, path

    def __str__(self) -> str:
        return f"line {self.line}, column {self.column}: {self.message}"


class _RefusedError(Exception):
    """The quick reader met something to refuse; where it is, is found out afterwards."""


def read(data: bytes | bytearray | str, *, max_bytes: int = MAX_BYTES) -> Any:
    """The JSON value in ``data`` (UTF-8, a byte order mark is ignored).

    Raises JsonError. The quick reader only says that something is wrong with names, numbers or
    depth; a slower one then finds the place.
    """
    if len(data) > max_bytes:
        raise JsonError(f"text is longer than {max_bytes} bytes", 1, 1, code="too-long")
    text = data if isinstance(data, str) else _decode(bytes(data))
    try:
        value = _decoder.decode(text)
        _check_depth(text, value)
        _check_surrogates(text)
    except _stdlib_json.JSONDecodeError as error:
        fault = find_fault(text, max_depth=MAX_DEPTH, check_number=_number_fault)
        if fault is None or fault.offset > error.pos:
            fault = Fault(error.pos, f"not JSON: {error.msg}", fault.path if fault else "")
        raise _located(text, fault) from None
    except (_RefusedError, RecursionError):
        fault = find_fault(text, max_depth=MAX_DEPTH, check_number=_number_fault)
        raise _located(text, fault or Fault(0, "text was refused", "")) from None
    return value


def read_back(data: bytes) -> Any:
    """The JSON value in a text that ``read`` took before: nothing is looked for any more.

    The same value, in less than half the time.
    """
    if _may_be_odd(data):
        return _kept_decoder.decode(data.decode("utf-8-sig"))
    return _quick_decoder.decode(data)


def _may_be_odd(text: bytes) -> bool:
    """Whether there may be a byte order mark, or a whole number that comes as ``Decimal``.

    Two searches that never go back: one pattern for both would take as long as reading.
    """
    return (
        not text.startswith(b"{")
        or _BEYOND in text.translate(_ALL_DIGITS_ALIKE)
        or _MINUS_NOTHING.search(text) is not None
    )


def write(value: Any, *, in_order: bool = False) -> bytes:
    """Compact UTF-8 JSON of ``value``; decimals are written with the digits they hold.

    ``in_order``: names in one order, however they stand. Raises TypeError for what JSON cannot
    hold.
    """
    return orjson.dumps(value, _write_decimal, orjson.OPT_SORT_KEYS if in_order else None)


def _write_decimal(value: object) -> orjson.Fragment:
    if isinstance(value, Decimal) and value.is_finite():
        return orjson.Fragment(str(value))
    raise TypeError(f"{type(value).__name__} has no JSON form here")


def _decode(data: bytes) -> str:
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line, column = place(data[: error.start].decode("utf-8"), error.start)
        raise JsonError("text is not UTF-8", line, column) from None


def _located(text: str, fault: Fault) -> JsonError:
    line, column = place(text, fault.offset)
    return JsonError(fault.message, line, column, fault.path, fault.code)


def _unique(pairs: list[tuple[str, Any]]) -> JsonObject:
    members = dict(pairs)
    if len(members) != len(pairs):
        raise _RefusedError
    return members


def _number_fault(literal: str) -> str | None:
    if len(literal) > MAX_DIGITS:
        return f"number of {len(literal)} characters, at most {MAX_DIGITS} are read"
    try:
        number = Decimal(literal)
    except InvalidOperation:
        return "number is out of range"
    low, high = number.as_tuple().exponent, number.adjusted()
    if not isinstance(low, int) or low < -MAX_EXPONENT or high > MAX_EXPONENT:
        return f"number is beyond ten to the power of {MAX_EXPONENT}"
    return None


def _decimal(literal: str) -> Decimal:
    if _number_fault(literal):
        raise _RefusedError
    return Decimal(literal)


def _integer(literal: str) -> int | Decimal:
    if len(literal) > MAX_DIGITS:
        raise _RefusedError
    number = int(literal)
    return number if number in _INT64 and literal != "-0" else Decimal(literal)


def _constant(_: str) -> Any:
    raise _RefusedError


def _check_depth(text: str, value: Any) -> None:
    if text.count("{") + text.count("[") <= MAX_DEPTH:
        return
    depth, layer = 0, [value]
    while layer:
        depth += 1
        if depth > MAX_DEPTH:
            raise _RefusedError
        layer = [
            child
            for parent in layer
            for child in (parent.values() if type(parent) is dict else parent)
            if type(child) is dict or type(child) is list
        ]


def _check_surrogates(text: str) -> None:
    if _SURROGATE_ESCAPE.search(text) and find_fault(text, MAX_DEPTH, _number_fault):
        raise _RefusedError


_decoder = _stdlib_json.JSONDecoder(
    object_pairs_hook=_unique,
    parse_float=_decimal,
    parse_int=_integer,
    parse_constant=_constant,
)
_kept_decoder = _stdlib_json.JSONDecoder(parse_float=Decimal, parse_int=_integer)
_quick_decoder = msgspec.json.Decoder(float_hook=Decimal)
