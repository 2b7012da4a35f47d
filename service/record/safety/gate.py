"""Which sessions can bring a safety finding about when they come in, told cheaply.

Nearly every session names no sign; that is told from its text alone. What passes here is judged
by the rules themselves, so that it may let too much through but nothing escape.
"""

from collections.abc import Iterator
from decimal import Decimal
from typing import Any

from service.fhir.codings import codings
from service.fhir.json import JsonObject, read
from service.mapping.canonical import code_system
from service.programme.safety import SafetyPolicy

_PART = code_system("airway-session-part")
_SESSION = (code_system("airway-log"), "session")
_ALWAYS = frozenset({"stopped-early", "blood-volume"})
_MOST_OXYGEN = Decimal(100)
_MARKS = (
    b'"blood', b'"chest-pain"', b'"faint"', b'"stopped-early"', b'"spo2"', b'"breathlessness"',
    b'"supine"',
)  # fmt: skip
"""Codes of which a session that names any sign has at least one in its text."""


class Gate:
    """Knows the clinic's numbers."""

    def __init__(self, policy: SafetyPolicy) -> None:
        drop = _MOST_OXYGEN - policy.number("oxygen-drop", "points")
        self._oxygen = max(drop, policy.number("oxygen-low", "percent"))
        self._breathlessness = policy.number("breathlessness-rise", "points")

    def patient(self, body: bytes) -> str | None:
        """Id of the child whose session this is, where it may name a sign."""
        if not any(mark in body for mark in _MARKS):
            return None
        session: JsonObject = read(body)
        if _SESSION not in codings([session.get("code", {})]):
            return None
        if not any(map(self._is_sign, session.get("component", []))):
            return None
        type_, _, id_ = str(session.get("subject", {}).get("reference", "")).partition("/")
        return id_ if type_ == "Patient" and id_ else None

    def _is_sign(self, component: JsonObject) -> bool:
        part = next((code for system, code in _codes(component) if system == _PART), None)
        if part in _ALWAYS:
            return True
        if part in ("chest-pain", "faint"):
            return component.get("valueBoolean") is True
        if part == "blood":
            return any(code != "none" for _, code in _value_codes(component))
        if part == "position":
            return any(code == "supine" for _, code in _value_codes(component))
        if part == "spo2":
            value = component.get("valueQuantity", {}).get("value")
            return value is not None and bool(value <= self._oxygen)
        if part == "breathlessness":
            return bool(component.get("valueInteger", -1) >= self._breathlessness)
        return False


def _codes(component: JsonObject) -> Iterator[tuple[Any, Any]]:
    return codings([component.get("code", {})])


def _value_codes(component: JsonObject) -> Iterator[tuple[Any, Any]]:
    return codings([component.get("valueCodeableConcept", {})])
