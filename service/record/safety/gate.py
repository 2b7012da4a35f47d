"""Which sessions can bring a safety finding about when they come in, told cheaply.

Nearly every session names no sign; that is told from its text alone. What passes here is judged
by the rules themselves, so that it may let too much through but nothing escape.
"""

from collections.abc import Iterator
from decimal import Decimal
from typing import Any

import orjson

from service.fhir.codings import codings
from service.fhir.json import JsonObject, read
from service.mapping.canonical import code_system
from service.programme.safety import SafetyPolicy

_PART = code_system("airway-session-part")
_SESSION = (code_system("airway-log"), "session")
_ALWAYS = frozenset({"stopped-early", "blood-volume"})
_MOST_OXYGEN = Decimal(100)
_MARKS = (
    b'streaks"', b'"blood-volume"', b'"valueBoolean":true', b'"stopped-early"', b'"spo2"',
    b'"breathlessness"', b'"supine"',
)  # fmt: skip
"""Of these a session that names any sign has at least one in its text, as the record writes it."""


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
        session = _read(body)
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


def _read(body: bytes) -> JsonObject:
    """Numbers become floats here, which is as good: a rounded number lies on the same side of a
    limit, or on it, and what lies on it passes."""
    try:
        session: JsonObject = orjson.loads(body)
    except orjson.JSONDecodeError:
        session = read(body)
    return session


def _codes(component: JsonObject) -> Iterator[tuple[Any, Any]]:
    return codings([component.get("code", {})])


def _value_codes(component: JsonObject) -> Iterator[tuple[Any, Any]]:
    return codings([component.get("valueCodeableConcept", {})])
