"""Tests of single values, for generated code: the primitive types of R4, and codes and references.

The formats themselves are those of ``service.fhir.primitives``; here they are only made quick. A
value of the wrong JSON kind may raise TypeError or AttributeError instead of answering False.
"""

import re
from collections.abc import Callable, Iterable
from decimal import Decimal
from typing import Any

from service.fhir.fast.memory import Seen, UnsureError, VerifiedObjects
from service.fhir.fhirpath.html import narrative_fault
from service.fhir.primitives import CHECKS, MAX_TEXT

_WHOLE_DAY = 10
_LARGEST_FLOAT = 1e15
_ODD_BLANKS = re.compile(r"[^ \t\r\n\S]")


def format_test(type_name: str) -> Callable[[Any], bool]:
    """The test of a primitive type's format."""
    check = CHECKS[type_name]
    return lambda value: check(value) is None


def is_text(value: Any) -> bool:
    """A string or markdown that nobody would object to: no control characters, not blank."""
    if len(value) > MAX_TEXT or not value.strip():
        return False
    return value.isprintable() or (
        _ODD_BLANKS.search(value) is None and CHECKS["string"](value) is None
    )


def is_number(value: Any) -> bool:
    """A decimal: a whole number, or a float that still says which decimal it was written as."""
    kind = value.__class__
    return kind is int or (kind is float and -_LARGEST_FLOAT < value < _LARGEST_FLOAT)


def is_exact_number(value: Any) -> bool:
    """A decimal that was never a binary float."""
    return value.__class__ is int or value.__class__ is Decimal


class Moments:
    """Dates and times of one primitive type, by the days and the clock times seen before."""

    def __init__(self, type_name: str) -> None:
        self._test = format_test(type_name)
        self._days, self._clocks = Seen(), Seen()

    def __call__(self, value: Any) -> bool:
        if value[:_WHOLE_DAY] in self._days and value[_WHOLE_DAY:] in self._clocks:
            return True
        if not self._test(value):
            return False
        if len(value) >= _WHOLE_DAY:
            self._days.remember(value[:_WHOLE_DAY])
            self._clocks.remember(value[_WHOLE_DAY:])
        return True


_TEXT = re.compile(r">[^<&\x00-\x08\x0b\x0c\x0e-\x1f\ud800-\udfff\ufffe\uffff]+")
_LETTERS = re.compile(r">[^<&]*[!-%'-;=?-~][^<&]*<")


class Narratives:
    """XHTML of narratives, by their tags: between the same tags any plain text is as good.

    ``&`` and what follows it counts with the tags. A ``>`` inside text or an attribute would be
    taken with the text, so a narrative that has one is looked at as a whole.
    """

    def __init__(self) -> None:
        self._skeletons: VerifiedObjects = VerifiedObjects(lambda div: narrative_fault(div) is None)

    def __call__(self, div: Any) -> bool:
        if len(div) > MAX_TEXT:
            return False
        skeleton = _TEXT.sub(">x", div)
        plain = skeleton.count(">") == div.count(">") and _LETTERS.search(div) is not None
        if not plain:
            return narrative_fault(div) is None
        known = skeleton.encode("utf-8", "surrogatepass")
        return known in self._skeletons or bool(self._skeletons.learn(known, div))


_REFERENCE = re.compile(
    r"(?:https?://[A-Za-z0-9.:%$_~/-]+/)?([A-Z][A-Za-z]+)/[A-Za-z0-9.-]{1,64}"
    r"(?:/_history/[A-Za-z0-9.-]{1,64})?",
    re.ASCII,
)


def reference_test(targets: frozenset[str]) -> Callable[[Any], bool]:
    """The test of ``Reference.reference``: a REST address of one of the target types."""

    def test(value: Any) -> bool:
        match = _REFERENCE.fullmatch(value)
        return match is not None and match[1] in targets

    return test


def agrees(kind: str, reference: str) -> bool:
    """Whether a reference leads to the type that stands beside it."""
    return reference.startswith(f"{kind}/") or f"/{kind}/" in reference


_ABSOLUTE = re.compile(r"[A-Za-z][A-Za-z0-9+.-]*:\S+", re.ASCII)
_URN = {
    "urn:uuid:": re.compile(r"urn:uuid:[0-9a-f]{8}(-[0-9a-f]{4}){3}-[0-9a-f]{12}", re.ASCII),
    "urn:oid:": re.compile(r"urn:oid:[0-2](\.(0|[1-9][0-9]*))+", re.ASCII),
}


def is_address(value: Any) -> bool:
    """A URI in the format of R4 and, where it names a UUID or an OID, of those."""
    if CHECKS["uri"](value) is not None:
        return False
    form = next((form for start, form in _URN.items() if value.startswith(start)), None)
    return form is None or form.fullmatch(value) is not None


def is_absolute_address(value: Any) -> bool:
    """The same with a scheme, as canonicals and systems have it."""
    return is_address(value) and _ABSOLUTE.fullmatch(value) is not None


def coding_test(codes_of: Callable[[str], Iterable[str] | None]) -> Callable[[Any], bool]:
    """The test of a pair of system and code: a code that the system has, as far as is known."""

    def test(pair: Any) -> bool:
        system, code = pair
        if not is_absolute_address(system):
            return False
        codes = codes_of(system)
        return codes is None or code in codes

    return test


def fits(value: Any, pattern: Any) -> bool:
    """Whether a value holds what a pattern asks for. Raises UnsureError for patterns of numbers."""
    if pattern.__class__ is dict:
        return all(name in value and fits(value[name], part) for name, part in pattern.items())
    if pattern.__class__ is list:
        return all(any(fits(item, wanted) for item in value) for wanted in pattern)
    if pattern.__class__ is str or pattern.__class__ is bool:
        return value.__class__ is pattern.__class__ and bool(value == pattern)
    raise UnsureError
