"""What a profile says about one value: its type, fixed value, pattern, bounds and bindings."""

from collections.abc import Callable, Iterator
from decimal import Decimal
from typing import Any

from service.fhir.definitions import Definitions
from service.fhir.fhirpath.quantity import compare_quantities, from_element
from service.fhir.json import write
from service.fhir.outcome import shown
from service.fhir.primitives import FREE_TEXT
from service.fhir.spans import span_of
from service.fhir.structure import specialises
from service.fhir.validation.coded import CODED, Fault, binding_faults, codings, shown_codings
from service.fhir.validation.items import Item
from service.fhir.validation.matching import holds, same
from service.fhir.validation.narrative_controls import compile_narrative
from service.fhir.validation.tree import ElementRule

ValueCheck = Callable[[Item], Iterator[Fault]]

_DATED = frozenset({"date", "dateTime", "instant"})


def compile_values(rule: ElementRule, definitions: Definitions) -> ValueCheck:
    """One check of everything the rule says about a value."""
    candidates = (_types(rule), _fixed(rule), _pattern(rule), _range(rule), _length(rule),
                  _bindings(rule, definitions), compile_narrative(rule))  # fmt: skip
    checks = [check for check in candidates if check is not None]
    presence = _presence(rule)

    def check_all(item: Item) -> Iterator[Fault]:
        if presence is not None:
            yield from presence(item)
        if item.value is not None:
            for check in checks:
                yield from check(item)

    return check_all


def _found(item: Item) -> str:
    if item.type in FREE_TEXT and isinstance(item.value, str):
        return f"{len(item.value)} characters of text"
    listed = codings(item.value)
    return shown_codings(listed) if listed else shown(item.value)


def _expected(value: Any) -> str:
    if isinstance(value, dict) and (listed := codings(value)):
        return shown_codings(listed)
    return write(value).decode() if isinstance(value, dict) else shown(value)


def _types(rule: ElementRule) -> ValueCheck | None:
    codes = rule.type_codes - {"Resource", "BackboneElement", "Element"}
    if not codes:
        return None
    names = " or ".join(sorted(codes))

    def check(item: Item) -> Iterator[Fault]:
        if not any(specialises(item.type, code) for code in codes) and not _inline(item.type):
            yield "error", "structure", f"found {item.type}, expected {names}", "type"

    return check


def _inline(kind: str) -> bool:
    return "." in kind


def _fixed(rule: ElementRule) -> ValueCheck | None:
    if rule.fixed is None:
        return None
    expected = _expected(rule.fixed)

    def check(item: Item) -> Iterator[Fault]:
        if not same(item.value, rule.fixed):
            yield "error", "value", f"found {_found(item)}, expected exactly {expected}", "fixed"

    return check


def _pattern(rule: ElementRule) -> ValueCheck | None:
    if rule.pattern is None:
        return None
    expected = _expected(rule.pattern)

    def check(item: Item) -> Iterator[Fault]:
        if not holds(item.value, rule.pattern):
            yield "error", "value", f"found {_found(item)}, expected {expected}", "pattern"

    return check


def _presence(rule: ElementRule) -> ValueCheck | None:
    """A primitive that has to have a value, or one of the extensions that may stand for it."""
    if not rule.must_have_value and not rule.alternatives:
        return None

    def check(item: Item) -> Iterator[Fault]:
        if item.value is not None or not item.primitive:
            return
        listed = item.content().get("extension", [])
        urls = {e.get("url") for e in listed if isinstance(e, dict)}
        if not urls & {url.partition("|")[0] for url in rule.alternatives}:
            yield "error", "required", "found no value, expected one", "must-have-value"

    return check


def _range(rule: ElementRule) -> ValueCheck | None:
    if rule.low is None and rule.high is None:
        return None

    def check(item: Item) -> Iterator[Fault]:
        for limit, key, word, wrong in (
            (rule.low, "min-value", "least", surely_below),
            (rule.high, "max-value", "most", lambda value, bound: surely_below(bound, value)),
        ):
            if limit is not None and wrong(item.value, limit):
                found = f"found {_amount(item.value)}, expected at {word} {_amount(limit)}"
                yield "error", "value", found, key

    return check


def surely_below(value: Any, limit: Any) -> bool:
    """Whether a value is surely under another of its kind; Quantities only in the same unit."""
    if isinstance(value, dict) and isinstance(limit, dict):
        one, other = from_element(value), from_element(limit)
        order = compare_quantities(one, other) if one and other else None
        return order is not None and order < 0
    if isinstance(value, str) and isinstance(limit, str):
        return _earlier(value, limit)
    left, right = _number(value), _number(limit)
    return left is not None and right is not None and left < right


def _earlier(value: str, limit: str) -> bool:
    try:
        return span_of(value)[1] <= span_of(limit)[0]
    except ValueError:
        return value < limit


def _amount(value: Any) -> str:
    if isinstance(value, dict):
        return f"{value.get('value')} {value.get('code', value.get('unit', ''))}".strip()
    return str(value)


def _number(value: Any) -> Decimal | int | None:
    plain = isinstance(value, int | Decimal) and not isinstance(value, bool)
    return value if plain else None


def _length(rule: ElementRule) -> ValueCheck | None:
    if rule.max_length is None and rule.min_length is None:
        return None
    low, high = rule.min_length or 0, rule.max_length

    def check(item: Item) -> Iterator[Fault]:
        if not isinstance(item.value, str):
            return
        length = len(item.value)
        if high is not None and length > high:
            text = f"found {length} characters, expected at most {high}"
            yield "error", "too-long", text, "max-length"
        if length < low:
            text = f"found {length} characters, expected at least {low}"
            yield "error", "value", text, "min-length"

    return check


def _bindings(rule: ElementRule, definitions: Definitions) -> ValueCheck | None:
    if not rule.bindings:
        return None

    def check(item: Item) -> Iterator[Fault]:
        if item.type in CODED:
            for binding in rule.bindings:
                yield from binding_faults(binding, item.value, item.type, definitions)

    return check
