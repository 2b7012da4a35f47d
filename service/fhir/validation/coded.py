"""Codes, codings and references of the base standard: bindings by strength, types referred to."""

import re
from collections.abc import Iterable, Iterator
from typing import Any

from service.fhir.definitions import CodeSet
from service.fhir.json import JsonObject
from service.fhir.outcome import Finding, Severity, shown
from service.fhir.structure import ConceptBinding, Element

SEVERITY_BY_STRENGTH: dict[str, Severity] = {
    "required": "error",
    "extensible": "warning",
    "preferred": "information",
}
"""R4 terminologies.html, binding strength; an example binding is never reported."""

_REFERRED_TYPE = re.compile(r"(?:.*/)?([A-Z][A-Za-z]+)/[A-Za-z0-9.-]{1,64}(?:/_history/.+)?")


def codings(value: Any) -> list[JsonObject]:
    """The codings of a CodeableConcept or a Coding."""
    if not isinstance(value, dict):
        return []
    listed = value.get("coding", [value] if "code" in value else [])
    return [c for c in listed if isinstance(c, dict)] if isinstance(listed, list) else []


def is_member(value: Any, codes: CodeSet) -> bool:
    """Whether a code, or any coding of a concept, is in the value set."""
    if isinstance(value, str):
        return codes.holds_code(value)
    return any(codes.holds(c.get("system"), c.get("code")) for c in codings(value))


def shown_codings(listed: Iterable[JsonObject]) -> str:
    """``system|code`` of each coding, for a diagnostic."""
    pairs = [f"{coding.get('system', '')}|{coding.get('code', '')}" for coding in listed]
    return ", ".join(shown(pair) for pair in pairs) or "no coding"


def referred_type(reference: JsonObject) -> str | None:
    """The resource type a reference speaks of, where it can be read off."""
    literal = reference.get("reference")
    if isinstance(literal, str) and (match := _REFERRED_TYPE.fullmatch(literal)):
        return match.group(1)
    kind = reference.get("type")
    return kind if isinstance(kind, str) else None


def concept_findings(element: Element, value: JsonObject, place: str) -> Iterator[Finding]:
    """Base binding of a CodeableConcept, and base targets of a Reference."""
    if element.concept is not None and not _meets(element.concept, value):
        yield Finding(
            SEVERITY_BY_STRENGTH[element.concept.strength],
            "code-invalid",
            place,
            f"found {shown_codings(codings(value))}, expected a code of {element.concept.system}",
            f"{element.concept.strength}-binding",
        )
    kind = referred_type(value) if element.targets else None
    if element.targets and kind is not None and kind not in element.targets:
        # The types listed are R4B's; unresolved relative references are not refused for their type.
        yield Finding(
            "warning",
            "value",
            place,
            f"found a reference to {kind}, expected {', '.join(sorted(element.targets))}",
            "reference-target",
        )


def _meets(binding: ConceptBinding, value: JsonObject) -> bool:
    return any(
        coding.get("system") == binding.system and _is_listed(binding, coding.get("code"))
        for coding in codings(value)
    )


def _is_listed(binding: ConceptBinding, code: Any) -> bool:
    return binding.codes is None or (isinstance(code, str) and code in binding.codes)
