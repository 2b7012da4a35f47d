"""Comparisons for generated constraints: the engine's own answers, quickly where that is easy.

Numbers need no help: read without rounding (see ``reading``), a float orders as its decimal does.
"""

from typing import Any

from service.fhir.fast.memory import UnsureError
from service.fhir.fhirpath.temporal import compare_temporal, parse_temporal

_SECOND_WITH_OFFSET = 25


def moment_order(left: str, right: str) -> int:
    """-1, 0 or 1 for two dates or date-times of R4.

    Raises UnsureError where precision leaves it open.
    """
    if len(left) == len(right) <= _SECOND_WITH_OFFSET and left[19:] == right[19:]:
        return (left > right) - (left < right)
    one, other = parse_temporal("DateTime", left), parse_temporal("DateTime", right)
    order = None if one is None or other is None else compare_temporal(one, other)
    if order is None:
        raise UnsureError
    return order


def quantity_order(left: dict[str, Any], right: dict[str, Any]) -> int:
    """-1, 0 or 1 for two quantities in the same unit.

    Raises UnsureError for all others.
    """
    same = all(left.get(name) == right.get(name) for name in ("system", "code", "unit"))
    if not same or "comparator" in left or "comparator" in right:
        raise UnsureError
    one, other = left["value"], right["value"]
    return int(one > other) - int(one < other)
