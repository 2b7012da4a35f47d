"""Values of a search as a store compares them: what the texts of each kind say.

Each reader takes one alternative, its escapes kept, and raises ValueError for what it cannot read.
Dates without an offset are read in UTC.
"""

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from decimal import Decimal
from typing import cast

from service.fhir.fhirpath.quantity import UCUM
from service.fhir.search.amounts import CANONICAL, canonical
from service.fhir.search.escapes import split, unescape
from service.fhir.search.references import local_reference
from service.fhir.search.rows import folded
from service.fhir.search.terms import (
    DateValue,
    Kind,
    Prefix,
    QuantityValue,
    ReferenceValue,
    StringValue,
    TokenValue,
    UriValue,
    Value,
)
from service.fhir.spans import Span, span_of

_PREFIXED = re.compile(r"(eq|ne|gt|lt|ge|le|sa|eb|ap)?(.+)", re.ASCII | re.DOTALL)
_NUMBER = re.compile(r"[+-]?\d{1,40}(\.\d{1,40})?([eE][+-]?\d{1,3})?", re.ASCII)
_APPROXIMATE = 10
"""One part in so many: what R4 recommends for ``ap``."""
_SECOND = 1_000_000


@dataclass(frozen=True, slots=True)
class Asked:
    """How values are meant: the modifier, the types that a reference may lead to, the moment of
    asking, and this service's own address."""

    modifier: str
    targets: tuple[str, ...]
    now: datetime
    base: str | None
    declared: str = ""


Named = tuple[str, Value]
"""A value, and what follows the parameter's name where rows of another name are meant."""
Reader = Callable[[str, Asked], Named]


def token(part: str, _: Asked) -> Named:
    """``code``, ``system|code``, ``|code`` or ``system|``."""
    pieces = [unescape(piece) for piece in split(part, "|")]
    if len(pieces) == 1:
        return "", TokenValue(None, pieces[0])
    if len(pieces) > 2 or pieces == ["", ""]:
        raise ValueError("expected code, system|code, |code or system|")
    return "", TokenValue(pieces[0], pieces[1] or None)


def identifier_of_type(part: str, _: Asked) -> Named:
    """``system|code|value``: the type of an identifier and the identifier."""
    pieces = [unescape(piece) for piece in split(part, "|")]
    if len(pieces) != 3 or not all(pieces):
        raise ValueError("expected system|code|value")
    return "", TokenValue(pieces[0], f"{pieces[1]}|{pieces[2]}")


def reference(part: str, how: Asked) -> Named:
    """An id, a type and an id, or an address."""
    text = unescape(part)
    if how.base is not None:
        text = text.removeprefix(how.base.rstrip("/") + "/")
    local = local_reference(text)
    if local is not None:
        if how.modifier and local[0] != how.modifier:
            raise ValueError(f"expected a reference to {how.modifier}")
        return "", ReferenceValue(*local)
    if ":" in text or "/" in text:
        return "", ReferenceValue("", text)
    only = how.targets[0] if len(how.targets) == 1 else None
    return "", ReferenceValue(how.modifier or only, text)


def moment(part: str, how: Asked) -> Named:
    """A date or time with a prefix."""
    prefix, text = _prefix(unescape(part))
    if " " in text:
        raise ValueError("a plus sign has to be written %2B in an address")
    span = span_of(text)
    return "", DateValue(prefix, *(_around(span, how.now) if prefix == "ap" else span))


def text_(part: str, how: Asked) -> Named:
    """A string: its beginning, any part of it, or all of it exactly."""
    text = unescape(part)
    if how.modifier == "exact":
        return "", StringValue(text, "exact")
    return "", StringValue(folded(text), "contains" if how.modifier == "contains" else "starts")


def amount(part: str, how: Asked) -> Named:
    """A number, and for a quantity its unit: ``number|system|code`` or ``number||code``.

    A unit of UCUM is converted to the canonical one where it is known.
    """
    prefix, text = _prefix(part)
    pieces = [unescape(piece) for piece in split(text, "|")]
    lengths = {1} if how.declared == "number" else {1, 3}
    if len(pieces) not in lengths or not _NUMBER.fullmatch(pieces[0]):
        told = "a number" if how.declared == "number" else "number or number|system|code"
        raise ValueError(f"expected {told}")
    number = Decimal(pieces[0])
    low, high = _approximately(number) if prefix == "ap" else _precision(number)
    system, code = pieces[1:] if len(pieces) == 3 else ["", ""]
    into = canonical(code) if system == UCUM else None
    if into is None:
        return "", QuantityValue(prefix, number, low, high, system or None, code or None)
    ends = into.of(number), into.of(low), into.of(high)
    return CANONICAL, QuantityValue(prefix, *ends, UCUM, into.code)


def address(part: str, how: Asked) -> Named:
    """A URI."""
    text = unescape(part)
    if how.modifier == "below":
        return "", UriValue(text, "below")
    return "", UriValue(text, "above" if how.modifier == "above" else "exact")


READERS: Mapping[Kind, Reader] = {
    "token": token,
    "reference": reference,
    "date": moment,
    "string": text_,
    "quantity": amount,
    "uri": address,
}


def _prefix(part: str) -> tuple[Prefix, str]:
    match = _PREFIXED.fullmatch(part)
    prefix, rest = match.groups() if match else (None, part)
    return cast(Prefix, prefix or "eq"), rest


def _precision(number: Decimal) -> tuple[Decimal, Decimal]:
    """What rounds to the number as it was given."""
    exponent = cast(int, number.as_tuple().exponent)
    half = Decimal((0, (5,), exponent - 1))
    return number - half, number + half


def _approximately(number: Decimal) -> tuple[Decimal, Decimal]:
    margin = abs(number) / _APPROXIMATE
    return number - margin, number + margin


def _around(span: Span, now: datetime) -> Span:
    """Wider on both sides by a tenth of its distance from now."""
    low, high = span
    at = (now - datetime.fromtimestamp(0, now.tzinfo)) // timedelta(microseconds=1)
    margin = max(low - at, at - high, 0) // _APPROXIMATE
    return low - margin, high + margin
