"""Three-valued logic and the reading of a collection as one value (N1, sections 4.5 and 6.5)."""

from typing import Any

from service.fhir.fhirpath.errors import FhirPathError
from service.fhir.fhirpath.items import Collection, plain

TRUE: Collection = [True]
FALSE: Collection = [False]
NONE: Collection = []
MOST_CHARACTERS = 16 * 1024 * 1024
"""Shared collections; nothing may change a collection that it was given."""


def boolean(answer: bool | None) -> Collection:
    """An answer as a collection."""
    if answer is None:
        return NONE
    return TRUE if answer else FALSE


def truth(items: Collection) -> bool | None:
    """A collection as a condition: None if empty; one item that is no Boolean counts as true.

    Raises FhirPathError for several items.
    """
    if not items:
        return None
    value = plain(single(items))
    return value if value is None or type(value) is bool else True


def condition(items: Collection) -> bool | None:
    """As ``truth``, for the criterion of ``iif``, which has to be a Boolean."""
    answer = truth(items)
    if answer is not None and type(plain(items[0])) is not bool:
        raise FhirPathError("a condition has to be a Boolean")
    return answer


def single(items: Collection) -> Any:
    """The only item, None of an empty collection. Raises FhirPathError for several."""
    if len(items) > 1:
        raise FhirPathError(f"one item was expected, found {len(items)}")
    return items[0] if items else None


def text(value: str) -> Collection:
    """A String as a collection. Raises FhirPathError for one beyond ``MOST_CHARACTERS``."""
    if len(value) > MOST_CHARACTERS:
        raise FhirPathError(f"a String of more than {MOST_CHARACTERS} characters")
    return [value]


def both(left: bool | None, right: bool | None) -> bool | None:
    """``and``"""
    if left is False or right is False:
        return False
    return None if left is None or right is None else True


def either(left: bool | None, right: bool | None) -> bool | None:
    """``or``"""
    if left is True or right is True:
        return True
    return None if left is None or right is None else False


def differ(left: bool | None, right: bool | None) -> bool | None:
    """``xor``"""
    return None if left is None or right is None else left is not right


def implied(left: bool | None, right: bool | None) -> bool | None:
    """``implies``"""
    return either(None if left is None else not left, right)
