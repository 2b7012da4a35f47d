"""Filtering and projection (FHIRPath N1, section 5.2), ``iif`` and ``aggregate``."""

from collections.abc import Callable

from service.fhir.fhirpath.equality import item_key
from service.fhir.fhirpath.errors import FhirPathError
from service.fhir.fhirpath.functions.registry import function
from service.fhir.fhirpath.items import Collection
from service.fhir.fhirpath.logic import NONE, condition, single, truth
from service.fhir.fhirpath.scope import Scope

_Body = Callable[[Collection, Scope], Collection]
MOST_ITEMS = 1_000_000
"""Items after which ``select`` gives up."""
MOST_REPEATED = 100_000
"""Items after which ``repeat`` gives up; ``repeat($this + 1)`` would never end."""


@function("where", 1, lazy=True)
def where(items: Collection, scope: Scope, criterion: _Body) -> Collection:
    """The items for which the criterion is true."""
    outer = scope.index
    kept: Collection = []
    for place, item in enumerate(items):
        scope.index = [place]
        if truth(criterion([item], scope)) is True:
            kept.append(item)
    scope.index = outer
    return kept


def meets(items: Collection, scope: Scope, criterion: _Body, wanted: bool) -> bool:
    """Whether being true, or not being true, is met with; the first such item decides."""
    outer = scope.index
    found = False
    for place, item in enumerate(items):
        scope.index = [place]
        if (truth(criterion([item], scope)) is True) is wanted:
            found = True
            break
    scope.index = outer
    return found


@function("select", 1, lazy=True)
def select(items: Collection, scope: Scope, projection: _Body) -> Collection:
    """What the projection gives for each item, one after another."""
    outer = scope.index
    found: Collection = []
    for place, item in enumerate(items):
        scope.index = [place]
        found.extend(projection([item], scope))
        if len(found) > MOST_ITEMS:
            raise FhirPathError(f"more than {MOST_ITEMS} items")
    scope.index = outer
    return found


@function("repeat", 1, lazy=True)
def _repeat(items: Collection, scope: Scope, projection: _Body) -> Collection:
    found: Collection = []
    seen = set()
    layer = items
    while layer:
        fresh: Collection = []
        for item in select(layer, scope, projection):
            key = item_key(item)
            if key not in seen:
                seen.add(key)
                fresh.append(item)
        found.extend(fresh)
        if len(found) > MOST_REPEATED:
            raise FhirPathError(f"more than {MOST_REPEATED} items")
        layer = fresh
    return found


@function("iif", 2, 3, lazy=True)
def _iif(
    items: Collection, scope: Scope, criterion: _Body, then: _Body, otherwise: _Body | None = None
) -> Collection:
    single(items)
    if condition(criterion(items, scope)) is True:
        return then(items, scope)
    return NONE if otherwise is None else otherwise(items, scope)


@function("aggregate", 1, 2, lazy=True)
def _aggregate(
    items: Collection, scope: Scope, step: _Body, start: _Body | None = None
) -> Collection:
    outer = scope.total, scope.index
    total = NONE if start is None else start(items, scope)
    for place, item in enumerate(items):
        scope.total, scope.index = total, [place]
        total = step([item], scope)
    scope.total, scope.index = outer
    return total
