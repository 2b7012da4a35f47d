"""``lowBoundary``, ``highBoundary``, ``precision`` and ``comparable`` (after FHIRPath N1).

A value written with some digits stands for every value that rounds to it. The boundary further
from zero is rounded half up to the digits asked for, the nearer one is cut: so the official suite
has it. An hour without minutes counts as that hour's first minute (the example in the
specification: @2014-01-01T08.highBoundary(17) is @2014-01-01T08:00:59.999-12:00).
"""

import calendar
from decimal import ROUND_DOWN, ROUND_HALF_UP, Decimal
from typing import Any

from service.fhir.fhirpath.errors import FhirPathError
from service.fhir.fhirpath.functions.collections import whole
from service.fhir.fhirpath.functions.registry import function
from service.fhir.fhirpath.items import Collection, as_quantity
from service.fhir.fhirpath.logic import NONE, boolean, single
from service.fhir.fhirpath.numbers import EXACT
from service.fhir.fhirpath.quantity import Quantity, comparable
from service.fhir.fhirpath.scope import Scope
from service.fhir.fhirpath.temporal import EARLIEST_OFFSET, LATEST_OFFSET, Temporal

_MOST_PLACES = 31
_DIGITS = {"Date": (4, 6, 8), "DateTime": (4, 6, 8, 10, 12, 14, 17), "Time": (2, 4, 6, 9)}
"""Digits written at each precision; the last is with milliseconds (Date: the day)."""


@function("lowBoundary", 0, 1)
def _low(items: Collection, _: Scope, precision: Collection = NONE) -> Collection:
    return _boundary(items, whole(precision, "lowBoundary"), high=False)


@function("highBoundary", 0, 1)
def _high(items: Collection, _: Scope, precision: Collection = NONE) -> Collection:
    return _boundary(items, whole(precision, "highBoundary"), high=True)


def _boundary(items: Collection, precision: int | None, *, high: bool) -> Collection:
    value = as_quantity(single(items))
    answer: Any = None
    if type(value) is Temporal:
        answer = _of_temporal(value, precision, high)
    elif type(value) is Quantity:
        number = _of_number(value.value, precision, high)
        answer = None if number is None else Quantity(number, value.unit)
    elif type(value) in (int, Decimal):
        answer = _of_number(Decimal(value), precision, high)
    elif value is not None:
        raise FhirPathError("only numbers, quantities, dates and times have boundaries")
    return NONE if answer is None else [answer]


def _of_number(value: Decimal, precision: int | None, high: bool) -> Decimal | None:
    places = 8 if precision is None else precision
    if not 0 <= places <= _MOST_PLACES or abs(value.adjusted()) > _MOST_PLACES:
        return None
    half = Decimal(5).scaleb(int(value.as_tuple().exponent) - 1)
    edge = EXACT.add(value, half if high else -half)
    outward = edge.copy_abs() > value.copy_abs()
    rounding = ROUND_HALF_UP if outward else ROUND_DOWN
    return edge.quantize(Decimal(1).scaleb(-places), rounding=rounding, context=EXACT)


def _of_temporal(value: Temporal, precision: int | None, high: bool) -> Temporal | None:
    digits = _DIGITS[value.kind]
    wanted = digits[-1] if precision is None else precision
    if wanted not in digits:
        return None
    start = [3] if value.kind == "Time" else [0]
    count = min(digits.index(wanted) + 1, 6 - start[0])
    parts = _filled(value, high)[:count]
    if wanted in (9, 17):
        parts[-1] = Decimal(parts[-1]).quantize(Decimal("0.001"), rounding=ROUND_DOWN)
    elif count == 6 - start[0]:
        parts[-1] = int(parts[-1])
    offset = value.offset
    if value.kind == "DateTime" and count > 3 and offset is None:
        offset = LATEST_OFFSET if high else EARLIEST_OFFSET
    return Temporal(value.kind, tuple(parts), offset if count > 3 else None)


def _filled(value: Temporal, high: bool) -> list[int | Decimal]:
    """All parts of the first or the last instant."""
    parts = list(value.parts)
    clock: list[int | Decimal] = [23, 59, Decimal("59.999")] if high else [0, 0, Decimal("0.000")]
    if value.kind == "Time":
        parts += [0] if len(parts) == 1 else []
        return parts + clock[len(parts) :]
    parts += [12 if high else 1] if len(parts) == 1 else []
    if len(parts) == 2:
        parts.append(calendar.monthrange(int(parts[0]), int(parts[1]))[1] if high else 1)
    parts += [0] if len(parts) == 4 else []
    return parts + clock[len(parts) - 3 :]


@function("precision")
def _precision(items: Collection, _: Scope) -> Collection:
    value = as_quantity(single(items))
    if value is None:
        return NONE
    if type(value) is Temporal:
        fraction = type(value.parts[-1]) is Decimal
        return [_DIGITS[value.kind][len(value.parts) - (0 if fraction else 1)]]
    if type(value) in (int, Decimal):
        return [max(0, -int(Decimal(value).as_tuple().exponent))]
    raise FhirPathError("only numbers, dates and times have a precision")


@function("comparable", 1)
def _comparable(items: Collection, _: Scope, other: Collection) -> Collection:
    one, two = as_quantity(single(items)), as_quantity(single(other))
    if one is None or two is None:
        return NONE
    return boolean(type(one) is Quantity and type(two) is Quantity and comparable(one, two))
