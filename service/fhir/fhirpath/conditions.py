"""What quick conditions are made of: logic, comparisons and tests of text on raw values."""

import operator
from collections.abc import Callable
from typing import Any, NamedTuple

from service.fhir.fhirpath.errors import FhirPathError
from service.fhir.fhirpath.functions.text import pattern
from service.fhir.fhirpath.scope import Scope
from service.fhir.fhirpath.temporal import Temporal, compare_temporal, parse_temporal
from service.fhir.fhirpath.walks import Test

COMPARISONS: dict[str, Callable[[Any, Any], bool]] = {
    "=": operator.eq,
    "!=": operator.ne,
    "<": operator.lt,
    ">": operator.gt,
    "<=": operator.le,
    ">=": operator.ge,
}
_NUMBERS = frozenset({"Integer", "Decimal"})
_DATES = frozenset({"Date", "DateTime"})


class Condition(NamedTuple):
    """``test`` of a raw object; ``total`` where it is never empty."""

    test: Test
    total: bool


class Scalar(NamedTuple):
    """``get`` gives one value of the FHIRPath type ``kind`` from a raw object, or None."""

    get: Callable[[Any, Scope], Any]
    kind: str
    constant: Any = None


def text_check(name: str, argument: str) -> Callable[[str], bool]:
    """``startsWith``, ``endsWith``, ``contains`` or ``matches`` with an argument known before."""
    if name == "matches":
        search = pattern(argument).search
        return lambda text: search(text) is not None
    if name == "contains":
        return lambda text: argument in text
    method = str.startswith if name == "startsWith" else str.endswith
    return lambda text: method(text, argument)


def of_scalar(scalar: Scalar) -> Condition | None:
    """A Boolean value as a condition; None for other values."""
    if scalar.kind != "Boolean":
        return None
    return Condition(scalar.get, scalar.constant is not None)


def comparison(
    left: Scalar, right: Scalar, compare: Callable[[Any, Any], bool]
) -> Condition | None:
    kinds = {left.kind, right.kind}
    if kinds <= _DATES or kinds == {"Time"}:
        return _dates(left, right, compare)
    ordered = kinds == {"String"} or kinds <= _NUMBERS
    if not ordered and not (kinds == {"Boolean"} and compare in (operator.eq, operator.ne)):
        return None
    if right.constant is not None:
        return _with_constant(left.get, right.constant, compare)
    one, other = left.get, right.get

    def test(data: Any, scope: Scope) -> bool | None:
        mine, theirs = one(data, scope), other(data, scope)
        return None if mine is None or theirs is None else compare(mine, theirs)

    return Condition(test, False)


def _with_constant(
    get: Callable[[Any, Scope], Any], constant: Any, compare: Callable[[Any, Any], bool]
) -> Condition:
    def test(data: Any, scope: Scope) -> bool | None:
        value = get(data, scope)
        return None if value is None else compare(value, constant)

    return Condition(test, False)


def _dates(left: Scalar, right: Scalar, compare: Callable[[Any, Any], bool]) -> Condition:
    one, other, mine, theirs = left.get, right.get, left.kind, right.kind

    def test(data: Any, scope: Scope) -> bool | None:
        first, second = one(data, scope), other(data, scope)
        if first is None or second is None:
            return None
        order = compare_temporal(_temporal(first, mine), _temporal(second, theirs))
        return None if order is None else compare(order, 0)

    return Condition(test, False)


def _temporal(value: Any, kind: str) -> Temporal:
    found = value if type(value) is Temporal else parse_temporal(kind, value)
    if found is None:
        raise FhirPathError(f"an element holds what is no {kind}")
    return found


def same(left: Condition, right: Condition, compare: Callable[[Any, Any], bool]) -> Condition:
    one, other = left.test, right.test
    if left.total and right.total:
        return Condition(lambda data, scope: compare(one(data, scope), other(data, scope)), True)

    def test(data: Any, scope: Scope) -> bool | None:
        mine, theirs = one(data, scope), other(data, scope)
        return None if mine is None or theirs is None else compare(mine, theirs)

    return Condition(test, False)


def _and(left: Condition, right: Condition) -> Condition:
    one, other = left.test, right.test
    if left.total and right.total:
        return Condition(lambda data, scope: one(data, scope) and other(data, scope), True)

    def test(data: Any, scope: Scope) -> bool | None:
        mine = one(data, scope)
        if mine is False:
            return False
        theirs = other(data, scope)
        if theirs is False:
            return False
        return None if mine is None or theirs is None else True

    return Condition(test, False)


def _or(left: Condition, right: Condition) -> Condition:
    one, other = left.test, right.test
    if left.total and right.total:
        return Condition(lambda data, scope: one(data, scope) or other(data, scope), True)

    def test(data: Any, scope: Scope) -> bool | None:
        mine = one(data, scope)
        if mine is True:
            return True
        theirs = other(data, scope)
        if theirs is True:
            return True
        return None if mine is None or theirs is None else False

    return Condition(test, False)


def _xor(left: Condition, right: Condition) -> Condition:
    return same(left, right, operator.is_not)


def _implies(left: Condition, right: Condition) -> Condition:
    one, other = left.test, right.test
    if left.total and right.total:
        return Condition(lambda data, scope: not one(data, scope) or other(data, scope), True)

    def test(data: Any, scope: Scope) -> bool | None:
        mine = one(data, scope)
        if mine is False:
            return True
        theirs = other(data, scope)
        if theirs is True:
            return True
        return None if mine is None or theirs is None else False

    return Condition(test, False)


LOGIC: dict[str, Callable[[Condition, Condition], Condition]] = {
    "and": _and,
    "or": _or,
    "xor": _xor,
    "implies": _implies,
}
