"""Existence (FHIRPath N1, section 5.1)."""

from collections.abc import Callable

from service.fhir.fhirpath.equality import distinct, item_key
from service.fhir.fhirpath.errors import FhirPathError
from service.fhir.fhirpath.functions.filtering import meets
from service.fhir.fhirpath.functions.registry import function
from service.fhir.fhirpath.items import Collection, plain
from service.fhir.fhirpath.logic import NONE, boolean, truth
from service.fhir.fhirpath.scope import Scope

_Body = Callable[[Collection, Scope], Collection]


@function("empty")
def _empty(items: Collection, _: Scope) -> Collection:
    return boolean(not items)


@function("exists", 0, 1, lazy=True)
def _exists(items: Collection, scope: Scope, criterion: _Body | None = None) -> Collection:
    return boolean(bool(items) if criterion is None else meets(items, scope, criterion, True))


@function("all", 1, lazy=True)
def _all(items: Collection, scope: Scope, criterion: _Body) -> Collection:
    return boolean(not meets(items, scope, criterion, False))


def _booleans(items: Collection) -> list[bool]:
    values = [plain(item) for item in items]
    if not all(type(value) is bool for value in values):
        raise FhirPathError("every item has to be a Boolean")
    return values


@function("allTrue")
def _all_true(items: Collection, _: Scope) -> Collection:
    return boolean(all(_booleans(items)))


@function("anyTrue")
def _any_true(items: Collection, _: Scope) -> Collection:
    return boolean(any(_booleans(items)))


@function("allFalse")
def _all_false(items: Collection, _: Scope) -> Collection:
    return boolean(not any(_booleans(items)))


@function("anyFalse")
def _any_false(items: Collection, _: Scope) -> Collection:
    return boolean(not all(_booleans(items)))


def _within(items: Collection, others: Collection) -> Collection:
    keys = {item_key(other) for other in others}
    return boolean(all(item_key(item) in keys for item in items))


@function("subsetOf", 1)
def _subset_of(items: Collection, _: Scope, other: Collection) -> Collection:
    return _within(items, other)


@function("supersetOf", 1)
def _superset_of(items: Collection, _: Scope, other: Collection) -> Collection:
    return _within(other, items)


@function("count")
def _count(items: Collection, _: Scope) -> Collection:
    return [len(items)]


@function("distinct")
def _distinct(items: Collection, _: Scope) -> Collection:
    return distinct(items)


@function("isDistinct")
def _is_distinct(items: Collection, _: Scope) -> Collection:
    return boolean(len(distinct(items)) == len(items))


@function("not")
def _not(items: Collection, _: Scope) -> Collection:
    answer = truth(items)
    return NONE if answer is None else boolean(not answer)
