"""Conversion (FHIRPath N1, section 5.5): ``toX`` and ``convertsToX``."""

import re
from collections.abc import Callable
from decimal import Decimal
from typing import Any

from service.fhir.fhirpath.functions.registry import function
from service.fhir.fhirpath.items import Collection, Node, as_quantity
from service.fhir.fhirpath.logic import NONE, boolean, single
from service.fhir.fhirpath.quantity import Quantity, converted
from service.fhir.fhirpath.scope import Scope
from service.fhir.fhirpath.temporal import Temporal, parse_temporal
from service.fhir.fhirpath.units import CALENDAR_WORDS

_TRUE = frozenset({"true", "t", "yes", "y", "1", "1.0"})
_FALSE = frozenset({"false", "f", "no", "n", "0", "0.0"})
_INTEGER = re.compile(r"[+-]?\d{1,10}", re.ASCII)
_DECIMAL = re.compile(r"[+-]?\d{1,100}(\.\d{1,100})?", re.ASCII)
_QUANTITY = re.compile(
    rf"(?P<value>{_DECIMAL.pattern})\s*(?:'(?P<code>[^']*)'|(?P<word>[a-z]+))?", re.ASCII
)
_RANGE = range(-(2**31), 2**31)


def _to_boolean(value: Any) -> bool | None:
    if type(value) is str:
        text = value.lower()
        return True if text in _TRUE else False if text in _FALSE else None
    if type(value) is bool:
        return value
    if type(value) in (int, Decimal) and value in (0, 1):
        return bool(value)
    return None


def _to_integer(value: Any) -> int | None:
    if type(value) is bool or type(value) is int:
        return int(value)
    if type(value) is str and _INTEGER.fullmatch(value) and int(value) in _RANGE:
        return int(value)
    return None


def _to_decimal(value: Any) -> Decimal | None:
    if type(value) in (bool, int, Decimal):
        return Decimal(value)
    if type(value) is str and _DECIMAL.fullmatch(value):
        return Decimal(value)
    return None


def _to_string(value: Any) -> str | None:
    if type(value) is bool:
        return "true" if value else "false"
    if type(value) is Decimal:
        return f"{value:f}"
    return str(value) if type(value) in (str, int, Temporal, Quantity) else None


def _to_date(value: Any) -> Temporal | None:
    if type(value) is Temporal and value.kind != "Time":
        return Temporal("Date", value.parts[:3])
    return parse_temporal("Date", value[:40]) if type(value) is str else None


def _to_datetime(value: Any) -> Temporal | None:
    if type(value) is Temporal and value.kind != "Time":
        return Temporal("DateTime", value.parts, value.offset)
    return parse_temporal("DateTime", value[:40]) if type(value) is str else None


def _to_time(value: Any) -> Temporal | None:
    if type(value) is Temporal:
        return value if value.kind == "Time" else None
    return parse_temporal("Time", value[:40]) if type(value) is str else None


def _to_quantity(value: Any) -> Quantity | None:
    if type(value) is Quantity:
        return value
    if type(value) in (bool, int, Decimal):
        return Quantity(Decimal(value), "1")
    match = _QUANTITY.fullmatch(value) if type(value) is str else None
    if match is None:
        return None
    word = match["word"]
    if word is not None and word not in CALENDAR_WORDS:
        return None
    return Quantity(Decimal(match["value"]), word or match["code"] or "1")


_CONVERSIONS: dict[str, Callable[[Any], Any]] = {
    "Boolean": _to_boolean,
    "Integer": _to_integer,
    "Decimal": _to_decimal,
    "String": _to_string,
    "Date": _to_date,
    "DateTime": _to_datetime,
    "Time": _to_time,
}


def _enter(name: str, convert: Callable[[Any], Any]) -> None:
    def to(items: Collection, _: Scope) -> Collection:
        value = as_quantity(single(items))
        answer = None if value is None or type(value) is Node else convert(value)
        return NONE if answer is None else [answer]

    def converts(items: Collection, scope: Scope) -> Collection:
        return boolean(bool(to(items, scope))) if items else NONE

    function(f"to{name}")(to)
    function(f"convertsTo{name}")(converts)


for _name, _convert in _CONVERSIONS.items():
    _enter(_name, _convert)


@function("toQuantity", 0, 1)
def _quantity(items: Collection, _: Scope, unit: Collection = NONE) -> Collection:
    value = as_quantity(single(items))
    quantity = None if value is None or type(value) is Node else _to_quantity(value)
    wanted = single(unit)
    if quantity is not None and wanted is not None:
        quantity = converted(quantity, str(as_quantity(wanted)))
    return NONE if quantity is None else [quantity]


@function("convertsToQuantity", 0, 1)
def _converts(items: Collection, scope: Scope, unit: Collection = NONE) -> Collection:
    return boolean(bool(_quantity(items, scope, unit))) if items else NONE
