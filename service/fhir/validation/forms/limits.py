"""The limits that a question's extensions set on an answer: range, length, form, units, files."""

import re
from base64 import b64decode
from collections.abc import Callable, Iterator
from decimal import Decimal
from functools import lru_cache
from typing import Any

from service.fhir.outcome import shown
from service.fhir.validation.forms.questions import Question
from service.fhir.validation.references import stated_type
from service.fhir.validation.values import surely_below

Fault = tuple[str, str, str]

_HL7 = "http://hl7.org/fhir/StructureDefinition/"
_SDC = "http://hl7.org/fhir/uv/sdc/StructureDefinition/sdc-questionnaire-"
_LOW = (f"{_HL7}minValue", f"{_SDC}minQuantity")
_HIGH = (f"{_HL7}maxValue", f"{_SDC}maxQuantity")
_LONGEST = 10_000
"""Longer texts are not held against a questionnaire's regular expression, whose cost is unknown."""


def limit_faults(question: Question, name: str, value: Any) -> Iterator[Fault]:
    """Everything that the question's limits have against a value of the right type."""
    yield from _range(question, value)
    for kind, check in _CHECKS:
        if name in kind:
            yield from check(question, value)


def _values(question: Question, *urls: str) -> Iterator[Any]:
    for url in urls:
        yield from question.extension(url)


def _range(question: Question, value: Any) -> Iterator[Fault]:
    for limit in _values(question, *_LOW):
        if surely_below(value, limit):
            yield "invariant", f"found less than the least, {_amount(limit)}", "min-value"
    for limit in _values(question, *_HIGH):
        if surely_below(limit, value):
            yield "invariant", f"found more than the most, {_amount(limit)}", "max-value"


def _amount(limit: Any) -> str:
    if isinstance(limit, dict):
        return f"{limit.get('value')} {limit.get('unit') or limit.get('code') or ''}".strip()
    return str(limit)


def _text(question: Question, value: Any) -> Iterator[Fault]:
    if not isinstance(value, str):
        return
    longest = question.item.get("maxLength")
    if isinstance(longest, int) and len(value) > longest:
        text = f"found {len(value)} characters, expected at most {longest}"
        yield "invariant", text, "max-length"
    for shortest in _values(question, f"{_HL7}minLength"):
        if isinstance(shortest, int) and len(value) < shortest:
            text = f"found {len(value)} characters, expected at least {shortest}"
            yield "invariant", text, "min-length"
    for pattern in _values(question, f"{_HL7}regex"):
        match = _matcher(pattern) if isinstance(pattern, str) else None
        if match is not None and len(value) <= _LONGEST and not match(value):
            yield "invariant", "the text does not have the form asked for", "regex"


@lru_cache(maxsize=256)
def _matcher(pattern: str) -> Callable[[str], object] | None:
    try:
        return re.compile(pattern).fullmatch
    except re.error:
        return None


def _places(question: Question, value: Any) -> Iterator[Fault]:
    if not isinstance(value, Decimal):
        return
    exponent = value.as_tuple().exponent
    places = -exponent if isinstance(exponent, int) and exponent < 0 else 0
    for most in _values(question, f"{_HL7}maxDecimalPlaces"):
        if isinstance(most, int) and places > most:
            text = f"found {places} decimal places, expected at most {most}"
            yield "invariant", text, "max-decimal-places"


def _unit(question: Question, value: Any) -> Iterator[Fault]:
    units = list(_values(question, f"{_HL7}questionnaire-unitOption"))
    if units and not any(
        isinstance(unit, dict)
        and unit.get("system") == value.get("system")
        and unit.get("code") == value.get("code")
        for unit in units
    ):
        found = shown(value.get("code", value.get("unit")))
        yield "invariant", f"found the unit {found}, expected one of the units offered", "unit"


def _file(question: Question, value: Any) -> Iterator[Fault]:
    kinds = list(_values(question, f"{_HL7}mimeType"))
    found = value.get("contentType")
    if kinds and found not in kinds:
        text = f"found {shown(found)}, expected {' or '.join(map(str, kinds))}"
        yield "invariant", text, "mime-type"
    size = _size(value)
    for most in _values(question, f"{_HL7}maxSize"):
        if size is not None and isinstance(most, int | Decimal) and size > most:
            yield "invariant", f"found {size} bytes, expected at most {most}", "max-size"


def _size(value: Any) -> int | None:
    size, data = value.get("size"), value.get("data")
    if isinstance(size, int):
        return size
    try:
        return len(b64decode(data)) if isinstance(data, str) else None
    except ValueError:
        return None


def _target(question: Question, value: Any) -> Iterator[Fault]:
    kinds = list(_values(question, f"{_HL7}questionnaire-referenceResource"))
    found = stated_type(value)
    if kinds and found is not None and found not in kinds:
        text = f"found a reference to {found}, expected {' or '.join(map(str, kinds))}"
        yield "invariant", text, "reference-target"


def _checked_object(
    check: Callable[[Question, Any], Iterator[Fault]],
) -> Callable[[Question, Any], Iterator[Fault]]:
    return lambda question, value: check(question, value) if isinstance(value, dict) else iter(())


_CHECKS: tuple[tuple[frozenset[str], Callable[[Question, Any], Iterator[Fault]]], ...] = (
    (frozenset({"valueString", "valueUri"}), _text),
    (frozenset({"valueDecimal"}), _places),
    (frozenset({"valueQuantity"}), _checked_object(_unit)),
    (frozenset({"valueAttachment"}), _checked_object(_file)),
    (frozenset({"valueReference"}), _checked_object(_target)),
)
