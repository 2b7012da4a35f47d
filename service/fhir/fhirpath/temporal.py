"""Dates, date-times and times that may be partial, and how they compare.

A value holds the components that were written and no more. Two values compare component by
component; where one ends before a difference is met the answer is unknown (None). Seconds and
their fraction are one component (FHIRPath N1, sections 4.1.5 to 4.1.7 and 6.1.1).

A date-time without an offset is compared with one that has an offset only where every offset in
use, from -12:00 to +14:00, would give the same answer.
"""

import datetime as dt
import re
from dataclasses import dataclass
from decimal import Decimal
from functools import lru_cache

from service.fhir.fhirpath.errors import FhirPathError

_DATE = re.compile(r"(\d{4})(?:-(\d\d)(?:-(\d\d))?)?", re.ASCII)
_CLOCK = re.compile(r"(\d\d)(?::(\d\d)(?::(\d\d(?:\.\d+)?))?)?", re.ASCII)
_OFFSET = re.compile(r"(Z)|([+-])(\d\d):(\d\d)", re.ASCII)
EARLIEST_OFFSET, LATEST_OFFSET = 14 * 60, -12 * 60
"""Offsets, in minutes, of the places where a day begins first and ends last."""


@dataclass(frozen=True, slots=True)
class Temporal:
    """``kind`` is Date, DateTime or Time.

    ``parts`` are year, month, day, hour, minute, second as far as known (Time: from the hour);
    the second may be a Decimal. ``offset`` is in minutes east of UTC.
    """

    kind: str
    parts: tuple[int | Decimal, ...]
    offset: int | None = None

    def __str__(self) -> str:
        if self.kind == "Time":
            return _clock_text(self.parts)
        date, clock = self.parts[:3], self.parts[3:]
        text = "-".join(f"{part:0{4 if place == 0 else 2}}" for place, part in enumerate(date))
        return text + (f"T{_clock_text(clock)}{_offset_text(self.offset)}" if clock else "")


def _clock_text(parts: tuple[int | Decimal, ...]) -> str:
    return ":".join(
        f"{part:02}" if isinstance(part, int) else f"{part:f}".zfill(_second_width(part))
        for part in parts
    )


def _second_width(second: Decimal) -> int:
    digits = -int(second.as_tuple().exponent)
    return 3 + digits if digits > 0 else 2


def _offset_text(offset: int | None) -> str:
    if offset is None:
        return ""
    if offset == 0:
        return "Z"
    return f"{'-' if offset < 0 else '+'}{abs(offset) // 60:02}:{abs(offset) % 60:02}"


@lru_cache(maxsize=4096)
def parse_temporal(kind: str, text: str) -> Temporal | None:
    """The value that ``text`` writes as a ``kind``, None where it writes none."""
    if kind == "Time":
        clock = _clock(text)
        return None if clock is None else Temporal(kind, clock)
    date_text, mark, rest = text.partition("T")
    if kind == "Date" and mark:
        return None
    date = _date(date_text)
    if date is None:
        return None
    if not rest:
        return Temporal(kind, date)
    return _with_clock(date, rest)


def _with_clock(date: tuple[int, ...], rest: str) -> Temporal | None:
    offset = None
    if match := _OFFSET.search(rest):
        if match.end() != len(rest):
            return None
        rest, offset = rest[: match.start()], _minutes(match)
    if not rest:
        return Temporal("DateTime", date)
    clock = _clock(rest)
    if clock is None or len(date) < 3:
        return None
    return Temporal("DateTime", date + clock, offset)


def _minutes(match: re.Match[str]) -> int:
    zulu, sign, hours, minutes = match.groups()
    if zulu:
        return 0
    return (int(hours) * 60 + int(minutes)) * (-1 if sign == "-" else 1)


def _date(text: str) -> tuple[int, ...] | None:
    match = _DATE.fullmatch(text)
    if match is None:
        return None
    parts = tuple(int(part) for part in match.groups() if part is not None)
    try:
        dt.date(*(*parts, 1, 1)[:3])
    except ValueError:
        return None
    return parts


def _clock(text: str) -> tuple[int | Decimal, ...] | None:
    match = _CLOCK.fullmatch(text)
    if match is None:
        return None
    hour, minute, second = match.groups()
    # A leap second is a valid instant.
    if int(hour) > 23 or int(minute or 0) > 59 or Decimal(second or 0) >= 61:
        return None
    parts: tuple[int | Decimal, ...] = (int(hour),)
    if minute is not None:
        parts += (int(minute),)
    if second is not None:
        parts += (Decimal(second) if "." in second else int(second),)
    return parts


def parse_literal(of: str, text: str, at: int) -> Temporal:
    """The literal of a ``date`` or ``time`` token, without its ``@``."""
    if of == "time":
        kind, text = "Time", text[1:]
    else:
        kind = "DateTime" if "T" in text else "Date"
    value = parse_temporal(kind, text)
    if value is None:
        raise FhirPathError(f"{text} is no {kind}", at)
    return value


def from_datetime(instant: dt.datetime) -> Temporal:
    """An aware datetime, to the millisecond."""
    offset = instant.utcoffset()
    if offset is None:
        raise FhirPathError("the clock gives a time without an offset")
    second = Decimal(instant.second * 1000 + instant.microsecond // 1000).scaleb(-3)
    parts = (instant.year, instant.month, instant.day, instant.hour, instant.minute, second)
    return Temporal("DateTime", parts, int(offset.total_seconds()) // 60)


def compare_temporal(left: Temporal, right: Temporal) -> int | None:
    """-1, 0 or 1; None where precision or offsets leave it open.

    Raises FhirPathError for a Time beside a Date or DateTime.
    """
    if (left.kind == "Time") != (right.kind == "Time"):
        raise FhirPathError(f"a {left.kind} cannot be compared with a {right.kind}")
    if left.offset == right.offset or len(left.parts) <= 3 or len(right.parts) <= 3:
        return _compare_parts(left.parts, right.parts)
    if left.offset is None or right.offset is None:
        answers = {
            _compare_parts(_in_utc(left, offset), _in_utc(right, offset))
            for offset in (EARLIEST_OFFSET, LATEST_OFFSET)
        }
        answer = answers.pop()
        return answer if not answers and answer != 0 else None
    return _compare_parts(_in_utc(left, 0), _in_utc(right, 0))


def _compare_parts(left: tuple[int | Decimal, ...], right: tuple[int | Decimal, ...]) -> int | None:
    for mine, other in zip(left, right, strict=False):
        if mine != other:
            return -1 if mine < other else 1
    return 0 if len(left) == len(right) else None


def _in_utc(value: Temporal, assumed: int) -> tuple[int | Decimal, ...]:
    offset = assumed if value.offset is None else value.offset
    if offset == 0:
        return value.parts
    numbers = [int(part) for part in value.parts[:5]] + [0] * (5 - len(value.parts))
    year, month, day, hour, minute = numbers
    try:
        moved = dt.datetime(year, month, day, hour, minute, tzinfo=dt.UTC) - dt.timedelta(
            minutes=offset
        )
    except OverflowError:
        return value.parts
    moved_parts = (moved.year, moved.month, moved.day, moved.hour, moved.minute)
    return (moved_parts + value.parts[5:])[: len(value.parts)]


def temporal_key(value: Temporal) -> tuple[object, ...]:
    """Equal for values that are surely equal, and only for these."""
    moved = value.parts if len(value.parts) <= 3 or value.kind == "Time" else _in_utc(value, 0)
    open_offset = value.offset is None and len(moved) > 3
    return (value.kind == "Time", open_offset, moved)
