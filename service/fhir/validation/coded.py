"""Codes against value sets and code systems: what a binding of some strength asks of a value."""

import re
from collections.abc import Callable, Iterable, Iterator
from typing import Any

from service.fhir.code_sets import CodeSet
from service.fhir.definitions import Definitions
from service.fhir.json import JsonObject
from service.fhir.outcome import Severity, shown
from service.fhir.structure import Binding
from service.fhir.units import UCUM, ucum_fault

Fault = tuple[Severity, str, str, str]
"""Severity, FHIR issue type, diagnostics, key."""

SEVERITY_BY_STRENGTH: dict[str, Severity] = {
    "required": "error",
    "extensible": "warning",
    "preferred": "information",
}
"""R4 terminologies.html, binding strength; an example binding is never reported."""

CODED = frozenset({"code", "Coding", "CodeableConcept", "string", "uri", "Quantity", "Age", "Count",
                   "Distance", "Duration", "SimpleQuantity", "MoneyQuantity"})  # fmt: skip
"""Types that a binding can speak of."""

_BARE = frozenset({"code", "string", "uri"})
_LANGUAGE = re.compile(
    r"(?:[a-z]{2,3}(?:-[a-z]{3}){0,3}|[a-z]{4,8})(?:-[a-z]{4})?(?:-(?:[a-z]{2}|[0-9]{3}))?"
    r"(?:-(?:[a-z0-9]{5,8}|[0-9][a-z0-9]{3}))*(?:-[a-wyz0-9](?:-[a-z0-9]{2,8})+)*"
    r"(?:-x(?:-[a-z0-9]{1,8})+)?|[ix](?:-[a-z0-9]{1,8})+",
    re.ASCII | re.IGNORECASE,
)

_GRAMMARS: dict[str, Callable[[str], bool]] = {
    "urn:ietf:bcp:47": lambda code: _LANGUAGE.fullmatch(code) is not None,
    UCUM: lambda code: ucum_fault(code) is None,
}
"""Systems too large to list whose codes can be told by their form (BCP 47, UCUM)."""


def codings(value: Any) -> list[JsonObject]:
    """The codings of a CodeableConcept, a Coding or a Quantity."""
    if not isinstance(value, dict):
        return []
    listed = value.get("coding", [value] if "code" in value else [])
    return [c for c in listed if isinstance(c, dict)] if isinstance(listed, list) else []


def is_member(value: Any, codes: CodeSet) -> bool:
    """Whether a code, or any coding of a concept, is in the value set."""
    if isinstance(value, str):
        return _holds_bare(value, codes)
    return any(_holds(coding.get("system"), coding.get("code"), codes) for coding in codings(value))


def _holds_bare(code: str, codes: CodeSet) -> bool:
    if code in codes.codes:
        return True
    return any(_well_formed(system, code) for system in codes.whole_systems)


def _holds(system: Any, code: Any, codes: CodeSet) -> bool:
    if not codes.holds(system, code):
        return False
    return system not in codes.whole_systems or _well_formed(system, code)


def _well_formed(system: str, code: Any) -> bool:
    grammar = _GRAMMARS.get(system)
    return grammar is None or (isinstance(code, str) and grammar(code))


def shown_codings(listed: Iterable[JsonObject]) -> str:
    """``system|code`` of each coding, for a diagnostic."""
    pairs = [f"{coding.get('system', '')}|{coding.get('code', '')}" for coding in listed]
    return ", ".join(shown(pair) for pair in pairs) or "no coding"


def binding_faults(
    binding: Binding, value: Any, kind: str, definitions: Definitions
) -> Iterator[Fault]:
    """What a binding has against a value of a coded type."""
    severity = SEVERITY_BY_STRENGTH.get(binding.strength)
    if severity is not None:
        yield from _judged(binding.value_set, binding.strength, severity, value, kind, definitions)
    wordless = kind in _BARE or bool(codings(value))
    if binding.maximum is not None and binding.strength != "required" and wordless:
        yield from _judged(binding.maximum, "required", "error", value, kind, definitions)


def _judged(
    canonical: str, strength: str, severity: Severity, value: Any, kind: str,
    definitions: Definitions,
) -> Iterator[Fault]:  # fmt: skip
    codes = definitions.code_set(canonical)
    if codes is None:
        if strength == "required":
            text = f"{shown(canonical)} is not known or cannot be listed: it was not checked"
            yield "information", "not-supported", text, "binding-not-checked"
        return
    if not isinstance(value, str if kind in _BARE else dict) or is_member(value, codes):
        return
    if severity != "error" and not isinstance(value, str):
        listed = codings(value)
        if not listed:
            return  # words alone are allowed where no code fits
        if severity == "warning" and any(_is_known(coding, definitions) for coding in listed):
            severity = "information"  # a real code of another system; whether one fits, people say
    found = shown(value) if isinstance(value, str) else shown_codings(codings(value))
    yield severity, "code-invalid", f"found {found}, expected {_asked(canonical, codes)}", \
        f"{strength}-binding"  # fmt: skip


def _is_known(coding: JsonObject, definitions: Definitions) -> bool:
    """Whether the coding's system is known completely and holds its code."""
    system, code = coding.get("system"), coding.get("code")
    codes = definitions.code_sets.codes_of(system) if isinstance(system, str) else None
    return codes is not None and isinstance(code, str) and code in codes


_FEW = 24


def _asked(canonical: str, codes: CodeSet) -> str:
    name = canonical.partition("|")[0].rsplit("/", 1)[-1]
    if codes.whole_systems or len(codes.codes) > _FEW:
        return f"a code of {name}"
    return f"a code of {name}: {', '.join(sorted(codes.codes))}"


def unknown_code(coding: JsonObject, definitions: Definitions) -> str | None:
    """What is wrong with a coding whose system is known completely; None where it is right."""
    system, code = coding.get("system"), coding.get("code")
    if not isinstance(system, str) or not isinstance(code, str):
        return None
    codes = definitions.code_sets.codes_of(system)
    if codes is None or code in codes:
        return None
    return f"{shown(code)} is not a code of {shown(system)}"
