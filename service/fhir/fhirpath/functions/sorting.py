"""``sort`` (of the FHIRPath build after N1)."""

from collections.abc import Callable
from functools import cmp_to_key
from typing import Any

from service.fhir.fhirpath.equality import compare
from service.fhir.fhirpath.items import Collection
from service.fhir.fhirpath.logic import single
from service.fhir.fhirpath.scope import Scope

_Key = tuple[Callable[[Collection, Scope], Collection], bool]
"""What to sort by, and whether it falls (written with a minus sign)."""


def sort_by(items: Collection, scope: Scope, keys: list[_Key]) -> Collection:
    """The items in order of the keys, of themselves where there is none; empty keys last.

    A falling key turns the order around, so items without it come first. Sorting is stable.
    """
    ranks = [_ranks(item, scope, keys) for item in items]

    def order(one: int, other: int) -> int:
        return _order(ranks[one], ranks[other])

    return [items[place] for place in sorted(range(len(items)), key=cmp_to_key(order))]


def _ranks(item: Any, scope: Scope, keys: list[_Key]) -> list[tuple[Any, bool]]:
    ranks: list[tuple[Any, bool]] = [(single(key([item], scope)), falling) for key, falling in keys]
    return ranks or [(item, False)]


def _order(one: list[tuple[Any, bool]], other: list[tuple[Any, bool]]) -> int:
    for (mine, falling), (theirs, _) in zip(one, other, strict=True):
        if mine is None or theirs is None:
            order = (mine is None) - (theirs is None)
        else:
            order = compare(mine, theirs) or 0
        if order:
            return -order if falling else order
    return 0
