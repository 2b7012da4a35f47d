"""A date or time plus a time-valued quantity (FHIRPath N1, section 6.6.7).

Only whole units are added, as the official suite has it (0.1 's' adds nothing). A quantity finer
than the value's precision is first turned into the value's finest unit, and cut to whole ones.
"""

import calendar
import datetime as dt
from decimal import Decimal

from service.fhir.fhirpath.errors import FhirPathError
from service.fhir.fhirpath.temporal import Temporal
from service.fhir.fhirpath.units import CALENDAR_WORDS

_LEVELS = {"year": 1, "month": 2, "wk": 3, "d": 3, "h": 4, "min": 5, "s": 6, "ms": 6}
"""How many parts a date-time needs for the unit to be added as it is."""
_SECONDS = {"wk": 604_800, "d": 86_400, "h": 3600, "min": 60, "s": 1}
_MONTHS = {"year": 12, "month": 1}
_DAYS_IN = {1: 365, 2: 30}
"""Days in a year and a month where precision makes a choice necessary (N1, section 6.6.7)."""
_MILLISECONDS_IN = {4: 3_600_000, 5: 60_000}


def move(value: Temporal, amount: Decimal, word: str) -> Temporal | None:
    """``value`` moved by ``amount`` of a calendar word or a UCUM unit of fixed length.

    None beyond the years 1 to 9999. Raises FhirPathError for any other unit (UCUM's ``a`` and
    ``mo`` are averages and move no date).
    """
    unit = CALENDAR_WORDS.get(word, word)
    if unit not in _LEVELS:
        raise FhirPathError("a date or time is moved by a calendar unit")
    whole = int(amount)
    if value.kind == "Time":
        return _moved_time(value, whole, unit)
    try:
        return _moved_date(value, whole, unit)
    except (OverflowError, ValueError):
        return None


def _moved_date(value: Temporal, amount: int, unit: str) -> Temporal:
    precision = len(value.parts)
    if unit in _MONTHS:
        months = amount * _MONTHS[unit]
        return _moved_months(value, months if precision > 1 else _cut(months, 12) * 12)
    milliseconds = amount if unit == "ms" else amount * _SECONDS[unit] * 1000
    if precision < 3:
        units = _cut(_cut(milliseconds, 86_400_000), _DAYS_IN[precision])
        return _moved_months(value, units * (12 if precision == 1 else 1))
    if precision < _LEVELS[unit]:
        step = _MILLISECONDS_IN.get(precision, 86_400_000)
        milliseconds = _cut(milliseconds, step) * step
    return _moved_clock(value, milliseconds)


def _cut(amount: int, by: int) -> int:
    """Division that cuts towards zero."""
    return abs(amount) // by * (1 if amount >= 0 else -1)


def _moved_months(value: Temporal, months: int) -> Temporal:
    year, month, *rest = [*value.parts, 1][:2] + list(value.parts[2:])
    total = int(year) * 12 + int(month) - 1 + months
    year, month = divmod(total, 12)
    month += 1
    dt.date(year, month, 1)
    if rest:
        rest[0] = min(int(rest[0]), calendar.monthrange(year, month)[1])
    return Temporal(value.kind, (year, month, *rest)[: len(value.parts)], value.offset)


def _moved_clock(value: Temporal, milliseconds: int) -> Temporal:
    numbers = [int(part) for part in value.parts[:5]]
    year, month, day, hour, minute = (*numbers, 0, 0)[:5]
    second = value.parts[5] if len(value.parts) > 5 else 0
    total = Decimal(second) + Decimal(milliseconds).scaleb(-3)
    minutes, rest = total // 60, total % 60
    if rest < 0:
        minutes, rest = minutes - 1, rest + 60
    start = dt.datetime(year, month, day, hour, minute, tzinfo=dt.UTC)
    moved = start + dt.timedelta(minutes=int(minutes))
    parts = (moved.year, moved.month, moved.day, moved.hour, moved.minute, _second(rest, second))
    return Temporal(value.kind, parts[: len(value.parts)], value.offset)


def _second(moved: Decimal, written: int | Decimal) -> int | Decimal:
    if moved == moved.to_integral_value() and type(written) is int:
        return int(moved)
    return moved


def _moved_time(value: Temporal, amount: int, unit: str) -> Temporal:
    if unit in _MONTHS or unit in ("wk", "d"):
        raise FhirPathError("a Time is moved by hours or less")
    # Any date serves: a Time wraps around at midnight.
    parts = (2000, 1, 1, *value.parts)
    moved = _moved_date(Temporal("DateTime", parts), amount, unit)
    return Temporal("Time", moved.parts[3:])
