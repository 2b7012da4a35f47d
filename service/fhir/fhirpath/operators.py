"""The operators that are no logic: collections in, collection out (N1, section 6)."""

from collections.abc import Callable
from decimal import Decimal
from fractions import Fraction
from typing import Any

from service.fhir.fhirpath import equality
from service.fhir.fhirpath.errors import FhirPathError
from service.fhir.fhirpath.items import Collection, as_quantity
from service.fhir.fhirpath.logic import NONE, boolean, single, text
from service.fhir.fhirpath.numbers import EXACT, is_tame, to_decimal
from service.fhir.fhirpath.quantity import Quantity, add, divide, multiply
from service.fhir.fhirpath.temporal import Temporal
from service.fhir.fhirpath.temporal_sums import move

Operator = Callable[[Collection, Collection], Collection]
_INTEGERS = range(-(2**31), 2**31)


def _equal(left: Collection, right: Collection) -> Collection:
    return boolean(equality.equal(left, right))


def _unequal(left: Collection, right: Collection) -> Collection:
    answer = equality.equal(left, right)
    return boolean(None if answer is None else not answer)


def _alike(left: Collection, right: Collection) -> Collection:
    return boolean(equality.equivalent(left, right))


def _unlike(left: Collection, right: Collection) -> Collection:
    return boolean(not equality.equivalent(left, right))


def _ordering(holds: Callable[[int], bool]) -> Operator:
    def compare(left: Collection, right: Collection) -> Collection:
        one, other = single(left), single(right)
        if one is None or other is None:
            return NONE
        order = equality.compare(one, other)
        return boolean(None if order is None else holds(order))

    return compare


def _union(left: Collection, right: Collection) -> Collection:
    return equality.distinct(left + right)


def _is_in(left: Collection, right: Collection) -> Collection:
    item = single(left)
    if item is None:
        return NONE
    key = equality.item_key(item)
    return boolean(any(equality.item_key(other) == key for other in right))


def _contains(left: Collection, right: Collection) -> Collection:
    return _is_in(right, left)


def _text(items: Collection) -> str:
    value = as_quantity(single(items))
    if value is None:
        return ""
    if type(value) is not str:
        raise FhirPathError(f"& joins text, not {equality.kind_of(value)}")
    return value


def _join(left: Collection, right: Collection) -> Collection:
    return text(_text(left) + _text(right))


def _calculation(name: str, step: Callable[[Any, Any], Any]) -> Operator:
    def calculate(left: Collection, right: Collection) -> Collection:
        one, other = as_quantity(single(left)), as_quantity(single(right))
        if one is None or other is None:
            return NONE
        answer = step(one, other)
        if answer is NotImplemented:
            kinds = f"{equality.kind_of(one)} and {equality.kind_of(other)}"
            raise FhirPathError(f"{name} is not defined for {kinds}")
        return [answer] if answer is not None and _fits(answer) else NONE

    return calculate


def _fits(value: Any) -> bool:
    """An Integer has 32 bits; what overflows is empty (N1, section 6.6)."""
    return type(value) is not int or value in _INTEGERS


def is_number(value: Any) -> bool:
    """Integer or Decimal; a Boolean is none."""
    return type(value) is int or type(value) is Decimal


def _numbers(one: Any, other: Any) -> bool:
    if not (is_number(one) and is_number(other)):
        return False
    if not (is_tame(Decimal(one)) and is_tame(Decimal(other))):
        raise FhirPathError("a number is too large to calculate with")
    return True


def _plus(one: Any, other: Any) -> Any:
    if _numbers(one, other):
        both_whole = type(one) is int and type(other) is int
        return one + other if both_whole else EXACT.add(Decimal(one), Decimal(other))
    if type(one) is str and type(other) is str:
        return text(one + other)[0]
    if type(one) is Quantity and type(other) is Quantity:
        return add(one, other, 1)
    if type(one) is Temporal and type(other) is Quantity:
        return move(one, other.value, other.unit)
    return NotImplemented


def _minus(one: Any, other: Any) -> Any:
    if _numbers(one, other):
        both_whole = type(one) is int and type(other) is int
        return one - other if both_whole else EXACT.subtract(Decimal(one), Decimal(other))
    if type(one) is Quantity and type(other) is Quantity:
        return add(one, other, -1)
    if type(one) is Temporal and type(other) is Quantity:
        return move(one, -other.value, other.unit)
    return NotImplemented


def _quantity(value: Any) -> Quantity:
    return value if type(value) is Quantity else Quantity(Decimal(value), "1")


def _with_quantity(one: Any, other: Any) -> bool:
    return (type(one) is Quantity and (type(other) is Quantity or is_number(other))) or (
        is_number(one) and type(other) is Quantity
    )


def _times(one: Any, other: Any) -> Any:
    if _numbers(one, other):
        both_whole = type(one) is int and type(other) is int
        return one * other if both_whole else EXACT.multiply(Decimal(one), Decimal(other))
    if _with_quantity(one, other):
        return multiply(_quantity(one), _quantity(other))
    return NotImplemented


def _over(one: Any, other: Any) -> Any:
    if _numbers(one, other):
        return None if other == 0 else to_decimal(Fraction(one) / Fraction(other))
    if _with_quantity(one, other):
        return divide(_quantity(one), _quantity(other))
    return NotImplemented


def _div(one: Any, other: Any) -> Any:
    if not _numbers(one, other):
        return NotImplemented
    if other == 0:
        return None
    quotient = abs(Fraction(one)) // abs(Fraction(other))
    return quotient if (one < 0) == (other < 0) else -quotient


def _mod(one: Any, other: Any) -> Any:
    if not _numbers(one, other):
        return NotImplemented
    if other == 0:
        return None
    if type(one) is int and type(other) is int:
        return one - other * _div(one, other)
    return EXACT.remainder(Decimal(one), Decimal(other))


def negative(items: Collection) -> Collection:
    """``-`` before an expression."""
    value = as_quantity(single(items))
    if value is None:
        return NONE
    if type(value) is Quantity:
        return [Quantity(-value.value, value.unit)]
    if not is_number(value):
        raise FhirPathError(f"{equality.kind_of(value)} has no sign")
    return [-value]


def positive(items: Collection) -> Collection:
    """``+`` before an expression."""
    negative(items)
    return items


OPERATORS: dict[str, Operator] = {
    "=": _equal,
    "!=": _unequal,
    "~": _alike,
    "!~": _unlike,
    "<": _ordering(lambda order: order < 0),
    ">": _ordering(lambda order: order > 0),
    "<=": _ordering(lambda order: order <= 0),
    ">=": _ordering(lambda order: order >= 0),
    "|": _union,
    "in": _is_in,
    "contains": _contains,
    "&": _join,
    "+": _calculation("+", _plus),
    "-": _calculation("-", _minus),
    "*": _calculation("*", _times),
    "/": _calculation("/", _over),
    "div": _calculation("div", _div),
    "mod": _calculation("mod", _mod),
}
