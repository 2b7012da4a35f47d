"""Subsetting and combining (FHIRPath N1, sections 5.3 and 5.4)."""

from service.fhir.fhirpath.equality import distinct, item_key
from service.fhir.fhirpath.errors import FhirPathError
from service.fhir.fhirpath.functions.registry import function
from service.fhir.fhirpath.items import Collection, as_quantity
from service.fhir.fhirpath.logic import NONE, single
from service.fhir.fhirpath.scope import Scope


def whole(argument: Collection, name: str) -> int | None:
    """An argument that has to be an Integer; None where it is empty."""
    value = as_quantity(single(argument))
    if value is not None and type(value) is not int:
        raise FhirPathError(f"{name}() takes an Integer")
    return value


@function("single")
def _single(items: Collection, _: Scope) -> Collection:
    single(items)
    return items


@function("first")
def _first(items: Collection, _: Scope) -> Collection:
    return items[:1]


@function("last")
def _last(items: Collection, _: Scope) -> Collection:
    return items[-1:]


@function("tail")
def _tail(items: Collection, _: Scope) -> Collection:
    return items[1:]


@function("skip", 1)
def _skip(items: Collection, _: Scope, number: Collection) -> Collection:
    count = whole(number, "skip")
    return NONE if count is None else items[max(count, 0) :]


@function("take", 1)
def _take(items: Collection, _: Scope, number: Collection) -> Collection:
    count = whole(number, "take")
    return NONE if count is None else items[: max(count, 0)]


@function("intersect", 1)
def _intersect(items: Collection, _: Scope, others: Collection) -> Collection:
    keys = {item_key(other) for other in others}
    return distinct([item for item in items if item_key(item) in keys])


@function("exclude", 1)
def _exclude(items: Collection, _: Scope, others: Collection) -> Collection:
    keys = {item_key(other) for other in others}
    return [item for item in items if item_key(item) not in keys]


@function("union", 1)
def _union(items: Collection, _: Scope, others: Collection) -> Collection:
    return distinct(items + others)


@function("combine", 1, 2)
def _combine(items: Collection, _: Scope, others: Collection, __: Collection = NONE) -> Collection:
    return items + others
