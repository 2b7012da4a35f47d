"""What a profile says about one value: its type, fixed value, pattern, bounds, binding, target."""

from collections.abc import Callable, Iterator
from decimal import Decimal
from typing import Any

from service.fhir.definitions import DefinitionError, Definitions
from service.fhir.json import write
from service.fhir.outcome import Severity, shown
from service.fhir.primitives import FREE_TEXT
from service.fhir.validation.coded import (
    SEVERITY_BY_STRENGTH,
    codings,
    is_member,
    referred_type,
    shown_codings,
)
from service.fhir.validation.items import Item
from service.fhir.validation.matching import holds, same
from service.fhir.validation.tree import Binding, ElementRule

Fault = tuple[Severity, str, str, str]
"""Severity, FHIR issue type, diagnostics, key."""
ValueCheck = Callable[[Item], Iterator[Fault]]

_HL7_BASE = "http://hl7.org/fhir/StructureDefinition/"


def compile_values(rule: ElementRule, definitions: Definitions) -> ValueCheck:
    """One check of everything the rule says about a value. Raises DefinitionError."""
    checks = [
        check
        for check in (
            _types(rule),
            _fixed(rule),
            _pattern(rule),
            _bounds(rule),
            _binding(rule.binding, definitions) if rule.binding else None,
            _targets(rule, definitions),
        )
        if check is not None
    ]

    def check_all(item: Item) -> Iterator[Fault]:
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
    if not rule.name.endswith("[x]") or not rule.types:
        return None
    names = " or ".join(sorted(rule.types))

    def check(item: Item) -> Iterator[Fault]:
        if item.type not in rule.types:
            yield "error", "structure", f"found {item.type}, expected {names}", "type"

    return check


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


def _bounds(rule: ElementRule) -> ValueCheck | None:
    if rule.low is None and rule.high is None and rule.max_length is None:
        return None

    def check(item: Item) -> Iterator[Fault]:
        number = _number(item.value)
        low, high = _number(rule.low), _number(rule.high)
        if number is not None and low is not None and number < low:
            yield "error", "value", f"found {number}, expected at least {low}", "min-value"
        if number is not None and high is not None and number > high:
            yield "error", "value", f"found {number}, expected at most {high}", "max-value"
        if rule.max_length and isinstance(item.value, str) and len(item.value) > rule.max_length:
            found = f"found {len(item.value)} characters, expected at most {rule.max_length}"
            yield "error", "too-long", found, "max-length"

    return check


def _number(value: Any) -> Decimal | int | None:
    number = value.get("value") if isinstance(value, dict) else value
    plain = isinstance(number, int | Decimal) and not isinstance(number, bool)
    return number if plain else None


def _binding(binding: Binding, definitions: Definitions) -> ValueCheck | None:
    severity = SEVERITY_BY_STRENGTH.get(binding.strength)
    codes = definitions.code_set(binding.value_set)
    if severity is None:
        return None
    if codes is None:
        if binding.strength == "required":
            raise DefinitionError(f"required value set {binding.value_set} cannot be applied")
        return None
    name = binding.value_set.rsplit("/", 1)[1]

    def check(item: Item) -> Iterator[Fault]:
        if _is_coded(item) and not is_member(item.value, codes):
            text = f"found {_found(item)}, expected a code of {name}"
            yield severity, "code-invalid", text, f"{binding.strength}-binding"

    return check


def _is_coded(item: Item) -> bool:
    return item.type in {"code", "Coding", "CodeableConcept", "Quantity", "string", "uri"}


def _targets(rule: ElementRule, definitions: Definitions) -> ValueCheck | None:
    if not rule.targets:
        return None
    kinds = {_target_type(canonical, definitions) for canonical in rule.targets}
    if "Resource" in kinds:
        return None
    names = " or ".join(sorted(kinds))

    def check(item: Item) -> Iterator[Fault]:
        kind = referred_type(item.value) if isinstance(item.value, dict) else None
        if kind is not None and kind not in kinds:
            text = f"found a reference to {kind}, expected {names}"
            yield "error", "value", text, "reference-target"

    return check


def _target_type(canonical: str, definitions: Definitions) -> str:
    if canonical.startswith(_HL7_BASE):
        return canonical.removeprefix(_HL7_BASE)
    profile = definitions.find(canonical)
    if profile is None:
        raise DefinitionError(f"target profile {canonical} is not loaded")
    return str(profile["type"])
