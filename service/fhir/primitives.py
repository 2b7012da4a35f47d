"""The formats of R4's primitive types (datatypes.html), as tests of one JSON value.

A test answers None for a good value, else what was expected. JSON kinds are strict: ``"true"`` is
no boolean, ``3.0`` no integer, a binary float no decimal.
"""

import re
from collections.abc import Callable
from datetime import date
from decimal import Decimal
from typing import Any

Check = Callable[[Any], str | None]

MAX_TEXT = 1024 * 1024
"""Longest string of R4, in characters."""

_TIME = r"([01][0-9]|2[0-3]):[0-5][0-9]:([0-5][0-9]|60)(\.[0-9]+)?"
_OFFSET = r"(Z|[+-](0[0-9]|1[0-3]):[0-5][0-9]|[+-]14:00)"
_DAY = r"[0-9]{4}-(0[1-9]|1[0-2])-(0[1-9]|[12][0-9]|3[01])"
_CONTROL = re.compile(r"[\x00-\x08\x0b\x0c\x0e-\x1f]")


def _matching(pattern: str, expected: str) -> Check:
    match = re.compile(pattern, re.ASCII).fullmatch

    def check(value: Any) -> str | None:
        return None if type(value) is str and match(value) else expected

    return check


def _dated(pattern: str, expected: str) -> Check:
    match = re.compile(pattern, re.ASCII).fullmatch

    def check(value: Any) -> str | None:
        if type(value) is not str or not match(value):
            return expected
        return None if _is_calendar_day(value[:10]) else "a day of the calendar"

    return check


def _is_calendar_day(text: str) -> bool:
    try:
        date.fromisoformat(text + "2000-01-01"[len(text) :])
    except ValueError:
        return False
    return True


def _whole(low: int, expected: str) -> Check:
    def check(value: Any) -> str | None:
        return None if type(value) is int and low <= value < 2**31 else expected

    return check


def _boolean(value: Any) -> str | None:
    return None if value is True or value is False else "true or false"


def _decimal(value: Any) -> str | None:
    return None if type(value) is int or type(value) is Decimal else "a number"


def _string(value: Any) -> str | None:
    if type(value) is not str:
        return "text"
    if not value:
        return "text that is not empty"
    if len(value) > MAX_TEXT:
        return f"at most {MAX_TEXT} characters"
    return "text without control characters" if _CONTROL.search(value) else None


def _base64(value: Any) -> str | None:
    if type(value) is not str or not value:
        return "base64 text"
    packed = re.sub(r"[ \t\r\n]+", "", value)
    good = len(packed) % 4 == 0 and re.fullmatch(r"[0-9A-Za-z+/]+={0,2}", packed)
    return None if good else "base64 text"


CHECKS: dict[str, Check] = {
    "base64Binary": _base64,
    "boolean": _boolean,
    "canonical": _matching(r"\S+", "a canonical URL without blanks"),
    "code": _matching(r"\S+( \S+)*", "a code without outer or double blanks"),
    "date": _dated(rf"[0-9]{{4}}(-(0[1-9]|1[0-2]))?|{_DAY}", "a date YYYY, YYYY-MM or YYYY-MM-DD"),
    "dateTime": _dated(
        rf"[0-9]{{4}}(-(0[1-9]|1[0-2]))?|{_DAY}(T{_TIME}{_OFFSET})?",
        "a date, or a time with seconds and offset such as 2031-05-01T07:05:00+02:00",
    ),
    "decimal": _decimal,
    "id": _matching(r"[A-Za-z0-9.-]{1,64}", "1 to 64 letters, digits, - and ."),
    "instant": _dated(
        rf"{_DAY}T{_TIME}{_OFFSET}",
        "a time with seconds and offset such as 2031-05-01T07:05:00+02:00",
    ),
    "integer": _whole(-(2**31), "a whole number of 32 bits"),
    "markdown": _string,
    "oid": _matching(r"urn:oid:[0-2](\.(0|[1-9][0-9]*))+", "urn:oid: with digits and dots"),
    "positiveInt": _whole(1, "a whole number from 1 to 2147483647"),
    "string": _string,
    "time": _matching(_TIME, "a time HH:MM:SS"),
    "unsignedInt": _whole(0, "a whole number from 0 to 2147483647"),
    "uri": _matching(r"\S+", "a URI without blanks"),
    "url": _matching(r"\S+", "a URL without blanks"),
    "uuid": _matching(
        r"urn:uuid:[0-9a-f]{8}(-[0-9a-f]{4}){3}-[0-9a-f]{12}", "urn:uuid: in lower case"
    ),
    "xhtml": _string,
}

FREE_TEXT = frozenset({"string", "markdown", "xhtml", "base64Binary"})
"""Types whose values may say who a person is, and are never repeated in a finding."""
