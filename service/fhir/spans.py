"""FHIR date texts as spans of time: UTC microseconds since 1970, the upper end not included.

A year spans the year, a minute the minute, a time with a fraction one step of its last digit. A
text without an offset is read in UTC. Second 60 (a leap second, R4 datatypes.html#dateTime) spans
the last microsecond before the next minute, so it sorts after .999 and stays inside its day.
"""

import re
from datetime import date

Span = tuple[int, int]

_SECOND = 1_000_000
_EPOCH = date(1970, 1, 1).toordinal()
_TEXT = re.compile(
    r"(?P<year>\d{4})(-(?P<month>\d\d)(-(?P<day>\d\d)"
    r"(T(?P<hour>[01]\d|2[0-3]):(?P<minute>[0-5]\d)"
    r"(:(?P<second>[0-5]\d|60)(\.(?P<fraction>\d{1,30}))?)?"
    r"(?P<offset>Z|[+-](0\d|1[0-4]):[0-5]\d)?)?)?)?",
    re.ASCII,
)


def span_of(text: str) -> Span:
    """The span of a date, dateTime or instant. Raises ValueError if it is none of these."""
    match = _TEXT.fullmatch(text)
    if match is None:
        raise ValueError("not a date or time")
    part = match.groupdict()
    year, month, day = int(part["year"]), int(part["month"] or 1), int(part["day"] or 1)
    first = date(year, month, day).toordinal()
    if part["hour"] is None:
        return _day_start(first), _day_start(_after(year, part["month"], part["day"], first))
    minutes = 60 * int(part["hour"]) + int(part["minute"]) - _offset_minutes(part["offset"])
    start = _day_start(first) + minutes * 60 * _SECOND
    if part["second"] is None:
        return start, start + 60 * _SECOND
    if part["second"] == "60":
        return start + 60 * _SECOND - 1, start + 60 * _SECOND
    start += int(part["second"]) * _SECOND
    if part["fraction"] is None:
        return start, start + _SECOND
    digits = part["fraction"][:6]
    step = 10 ** (6 - len(digits))
    start += int(digits) * step
    return start, start + step


def _day_start(ordinal: int) -> int:
    return (ordinal - _EPOCH) * 86_400 * _SECOND


def _after(year: int, month: str | None, day: str | None, first: int) -> int:
    """The day after the year, month or day that begins on day number ``first``."""
    if day is not None:
        return first + 1
    if month is None or month == "12":
        return date(year, 12, 31).toordinal() + 1
    return date(year, int(month) + 1, 1).toordinal()


def _offset_minutes(offset: str | None) -> int:
    if offset in (None, "Z"):
        return 0
    minutes = 60 * int(offset[1:3]) + int(offset[4:6])
    return -minutes if offset[0] == "-" else minutes
