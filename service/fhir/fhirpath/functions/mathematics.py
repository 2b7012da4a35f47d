"""Mathematics (FHIRPath N1, section 5.7). Where a result does not exist it is empty."""

from collections.abc import Callable
from decimal import ROUND_CEILING, ROUND_DOWN, ROUND_FLOOR, ROUND_HALF_UP, Decimal

from service.fhir.fhirpath.errors import FhirPathError
from service.fhir.fhirpath.functions.collections import whole
from service.fhir.fhirpath.functions.registry import function
from service.fhir.fhirpath.items import Collection, as_quantity
from service.fhir.fhirpath.logic import NONE, single
from service.fhir.fhirpath.numbers import EXACT, is_tame, stepped
from service.fhir.fhirpath.quantity import Quantity
from service.fhir.fhirpath.scope import Scope

_MOST_PLACES = 31
_LARGEST_POWER = 1000


def _number(items: Collection, name: str) -> int | Decimal | None:
    value = as_quantity(single(items))
    if value is None:
        return None
    if type(value) not in (int, Decimal):
        raise FhirPathError(f"{name}() takes a number")
    if not is_tame(Decimal(value)):
        raise FhirPathError("a number is too large to calculate with")
    return value  # type: ignore[no-any-return]


@function("abs")
def _abs(items: Collection, _: Scope) -> Collection:
    value = as_quantity(single(items))
    if type(value) is Quantity:
        return [Quantity(abs(value.value), value.unit)]
    number = _number(items, "abs")
    return NONE if number is None else [abs(number)]


def _enter_rounding(name: str, rounding: str) -> None:
    def to_whole(items: Collection, _: Scope) -> Collection:
        number = _number(items, name)
        if number is None:
            return NONE
        return [int(Decimal(number).to_integral_value(rounding=rounding))]

    function(name)(to_whole)


for _name, _rounding in (
    ("ceiling", ROUND_CEILING),
    ("floor", ROUND_FLOOR),
    ("truncate", ROUND_DOWN),
):
    _enter_rounding(_name, _rounding)


@function("round", 0, 1)
def _round(items: Collection, _: Scope, precision: Collection = NONE) -> Collection:
    number, places = _number(items, "round"), whole(precision, "round") or 0
    if number is None:
        return NONE
    if not 0 <= places <= _MOST_PLACES:
        raise FhirPathError(f"round() takes a precision of 0 to {_MOST_PLACES}")
    step = Decimal(1).scaleb(-places)
    return [Decimal(number).quantize(step, rounding=ROUND_HALF_UP, context=EXACT)]


def _real(items: Collection, name: str, work: Callable[[Decimal], Decimal | None]) -> Collection:
    number = _number(items, name)
    answer = None if number is None else work(Decimal(number))
    return NONE if answer is None else [stepped(answer)]


@function("exp")
def _exp(items: Collection, _: Scope) -> Collection:
    return _real(items, "exp", lambda x: EXACT.exp(x) if abs(x) < _LARGEST_POWER else None)


@function("ln")
def _ln(items: Collection, _: Scope) -> Collection:
    return _real(items, "ln", lambda x: EXACT.ln(x) if x > 0 else None)


@function("sqrt")
def _sqrt(items: Collection, _: Scope) -> Collection:
    return _real(items, "sqrt", lambda x: EXACT.sqrt(x) if x >= 0 else None)


@function("log", 1)
def _log(items: Collection, _: Scope, base: Collection) -> Collection:
    of = _number(base, "log")
    if of is None or of <= 0 or of == 1:
        return NONE
    scale = EXACT.ln(Decimal(of))
    return _real(items, "log", lambda x: EXACT.divide(EXACT.ln(x), scale) if x > 0 else None)


@function("power", 1)
def _power(items: Collection, _: Scope, exponent: Collection) -> Collection:
    base, power = _number(items, "power"), _number(exponent, "power")
    if base is None or power is None or not -_LARGEST_POWER <= power <= _LARGEST_POWER:
        return NONE
    if isinstance(base, int) and isinstance(power, int) and power >= 0:
        answer: int = pow(base, power)
        return [answer] if abs(answer) < 2**31 else NONE
    if (base < 0 and power != int(power)) or (base == 0 and power <= 0):
        return NONE
    return [stepped(EXACT.power(Decimal(base), Decimal(power)))]
