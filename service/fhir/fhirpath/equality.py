"""Equality, equivalence and order of items and collections (FHIRPath N1, sections 6.1 and 6.2).

Complex elements are equal where their JSON is, whatever the order of properties; numbers in them
compare by value, everything else as written.
"""

from decimal import Decimal
from typing import Any

from service.fhir.fhirpath.errors import FhirPathError
from service.fhir.fhirpath.items import (
    QUANTITIES,
    Collection,
    Node,
    as_quantity,
    plain,
    system_type,
)
from service.fhir.fhirpath.numbers import EXACT, places
from service.fhir.fhirpath.quantity import (
    Quantity,
    compare_quantities,
    for_equivalence,
    quantity_key,
)
from service.fhir.fhirpath.temporal import Temporal, compare_temporal, temporal_key


def item_key(item: Any) -> Any:
    """A hashable that two items share exactly if they are surely equal."""
    if type(item) is Node and item.value is None:
        return ("no value", frozen(item.companion))
    value = as_quantity(item)
    if type(value) is Node:
        return ("element", frozen(value.value))
    kind = type(value)
    if kind is bool or value is None:
        return (kind, value, frozen(item.value) if value is None else None)
    if kind is Temporal:
        return temporal_key(value)
    return quantity_key(value) if kind is Quantity else value


def frozen(value: Any) -> Any:
    """JSON as a hashable; objects without regard to order."""
    if type(value) is dict:
        return frozenset((name, frozen(part)) for name, part in value.items())
    if type(value) is list:
        return tuple(frozen(part) for part in value)
    return (bool, value) if type(value) is bool else value


def distinct(items: Collection) -> Collection:
    """The items without repeats, in the order that they first come."""
    if len(items) < 2:
        return items
    return list({item_key(item): item for item in reversed(items)}.values())[::-1]


def items_equal(left: Any, right: Any) -> bool | None:
    """``=`` of two items."""
    if _both_elements(left, right):
        return bool(frozen(left.value) == frozen(right.value))
    one, other = as_quantity(left), as_quantity(right)
    if one is None or other is None:
        return None
    if type(one) is Temporal and type(other) is Temporal:
        if (one.kind == "Time") != (other.kind == "Time"):
            return False
        order = compare_temporal(one, other)
        return None if order is None else order == 0
    if type(one) is Quantity and type(other) is Quantity:
        order = compare_quantities(one, other)
        return None if order is None else order == 0
    return bool(item_key(one) == item_key(other))


def _both_elements(left: Any, right: Any) -> bool:
    return (
        type(left) is Node
        and type(right) is Node
        and type(left.value) is dict
        and type(right.value) is dict
        and not (left.type in QUANTITIES and right.type in QUANTITIES)
    )


def equal(left: Collection, right: Collection) -> bool | None:
    """``=`` of two collections: same items in the same order; None where either is empty."""
    if not left or not right:
        return None
    if len(left) != len(right):
        return False
    answers = [items_equal(one, other) for one, other in zip(left, right, strict=True)]
    if False in answers:
        return False
    return None if None in answers else True


def equivalent(left: Collection, right: Collection) -> bool:
    """``~`` of two collections: the same items in any order; never empty."""
    if len(left) != len(right):
        return False
    rest = list(right)
    for item in left:
        for place, other in enumerate(rest):
            if items_equivalent(item, other):
                del rest[place]
                break
        else:
            return False
    return True


def items_equivalent(left: Any, right: Any) -> bool:
    """``~`` of two items: text without regard to case and blanks, numbers to the coarser step."""
    if _both_elements(left, right):
        return _json_equivalent(left.value, right.value)
    one, other = as_quantity(left), as_quantity(right)
    if type(one) is str and type(other) is str:
        return _normal(one) == _normal(other)
    if _is_number(one) and _is_number(other):
        return _numbers_equivalent(Decimal(one), Decimal(other))
    if type(one) is Quantity and type(other) is Quantity:
        return _quantities_equivalent(for_equivalence(one), for_equivalence(other))
    if one is None or other is None:
        return one is other
    return bool(item_key(one) == item_key(other))


def _json_equivalent(left: Any, right: Any) -> bool:
    if type(left) is dict and type(right) is dict:
        return left.keys() == right.keys() and all(
            _json_equivalent(part, right[name]) for name, part in left.items()
        )
    if type(left) is list and type(right) is list:
        wrapped = [Node(part, "") for part in left], [Node(part, "") for part in right]
        return equivalent(*wrapped)
    if type(left) is Node or type(right) is Node:
        return False
    return type(left) is type(right) and items_equivalent(left, right)


def _is_number(value: Any) -> bool:
    return type(value) is int or type(value) is Decimal


def _normal(text: str) -> str:
    return " ".join(text.casefold().split())


def _numbers_equivalent(left: Decimal, right: Decimal) -> bool:
    step = Decimal(1).scaleb(-min(places(left), places(right)))
    return left.quantize(step, context=EXACT) == right.quantize(step, context=EXACT)


def _quantities_equivalent(left: Quantity, right: Quantity) -> bool:
    from service.fhir.fhirpath.quantity import converted

    if left.unit == right.unit:
        return _numbers_equivalent(left.value, right.value)
    one, other = converted(left, right.unit), converted(right, left.unit)
    if one is None or other is None:
        return False
    # Each side is rounded in the unit of the coarser one.
    if places(left.value) <= places(one.value):
        return _numbers_equivalent(left.value, other.value)
    return _numbers_equivalent(one.value, right.value)


def compare(left: Any, right: Any) -> int | None:
    """-1, 0 or 1 for two items; None where it is open. Raises FhirPathError for unlike types."""
    one, other = as_quantity(left), as_quantity(right)
    if one is None or other is None:
        return None
    if type(one) is Temporal and type(other) is Temporal:
        return compare_temporal(one, other)
    if type(one) is Quantity and type(other) is Quantity:
        return compare_quantities(one, other)
    ordered = (type(one) is str and type(other) is str) or (_is_number(one) and _is_number(other))
    if not ordered:
        raise FhirPathError(f"{kind_of(one)} and {kind_of(other)} have no order")
    return int((one > other) - (one < other))


def kind_of(item: Any) -> str:
    """The type of an item, for messages."""
    return (item.type or "an element") if type(item) is Node else system_type(plain(item))
