"""The parameters of an operation, from an address or a Parameters body: known, typed, given once.

A name that the operation has in R4 but that is not served here is refused as well: leaving it out
could change what the answer means.
"""

import re
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

from service.api.outcomes import refusal
from service.api.parameters import parts_in
from service.api.queries import pairs_of
from service.api.served import Call
from service.fhir.json import JsonObject
from service.fhir.outcome import shown

TEXT: Final = "text"
WHOLE: Final = "a whole number"
FLAG: Final = "true or false"
MOMENT: Final = "a date or a time"
CODING: Final = "Coding"
CONCEPT: Final = "CodeableConcept"

_KINDS: Mapping[str, Collection[str]] = {
    TEXT: frozenset(
        ["valueString", "valueCode", "valueUri", "valueUrl", "valueCanonical", "valueId"]
    ),
    WHOLE: frozenset(["valueInteger", "valueUnsignedInt", "valuePositiveInt"]),
    FLAG: frozenset(["valueBoolean"]),
    MOMENT: frozenset(["valueDate", "valueDateTime", "valueInstant", "valueString"]),
    CODING: frozenset(["valueCoding"]),
    CONCEPT: frozenset(["valueCodeableConcept"]),
}
_WHOLE = re.compile(r"\d{1,9}", re.ASCII)
_FLAGS = {"true": True, "false": False}


@dataclass(frozen=True, slots=True)
class Takes:
    """``kinds``: by name, what a parameter is. ``unserved``: names that R4 has and we do not."""

    kinds: Mapping[str, str]
    unserved: frozenset[str] = frozenset()
    repeating: frozenset[str] = frozenset()


class Inputs:
    """What one call of an operation says.

    Raises 400 for what is malformed, unknown or repeated, 422 for what is not served.
    """

    def __init__(self, call: Call, body: bytes, takes: Takes) -> None:
        self._takes = takes
        self._values: dict[str, list[Any]] = {}
        for name, text in pairs_of(call.request):
            if not name.startswith("_"):
                self._add(name, _typed(self._kind(name, f"http.{name}"), name, text))
        if body:
            for number, part in enumerate(parts_in(call, body)):
                name, place = part["name"], f"Parameters.parameter[{number}]"
                self._add(name, _value(self._kind(name, place), place, part), place)

    def __contains__(self, name: str) -> bool:
        return name in self._values

    def text(self, name: str) -> str | None:
        """The value of a parameter that is text, or a date or time as it is written."""
        value: str | None = self._single(name)
        return value

    def texts(self, name: str) -> Sequence[str]:
        """The values of a parameter that may repeat."""
        return self._values.get(name, [])

    def whole(self, name: str) -> int | None:
        """A whole number, not negative."""
        value: int | None = self._single(name)
        return value

    def flag(self, name: str) -> bool:
        """Whether the parameter is true; it is not where it is left out."""
        return bool(self._single(name))

    def object(self, name: str) -> JsonObject | None:
        """A Coding or CodeableConcept."""
        value: JsonObject | None = self._single(name)
        return value

    def required(self, name: str) -> str:
        """The text of a parameter that must be there. Raises 400."""
        value = self.text(name)
        if value is None:
            raise refusal(400, f"{name} is expected.", code="required", expression=f"http.{name}")
        return value

    def one_of(self, *names: str) -> str:
        """Which of the parameters is given. Raises 400 unless it is exactly one."""
        given = [name for name in names if name in self._values]
        if len(given) != 1:
            found = " and ".join(given) or "none"
            told = f"Found {found}, expected one of: {', '.join(names)}."
            raise refusal(400, told, code="invalid" if given else "required")
        return given[0]

    def _single(self, name: str) -> Any:
        return self._values.get(name, [None])[0]

    def _add(self, name: str, value: Any, place: str | None = None) -> None:
        if name in self._values and name not in self._takes.repeating:
            told = f"{name} is given more than once, once is expected."
            raise refusal(400, told, expression=place or f"http.{name}")
        self._values.setdefault(name, []).append(value)

    def _kind(self, name: str, place: str) -> str:
        if name in self._takes.unserved:
            told = f"The parameter {name} is not served."
            raise refusal(422, told, code="not-supported", expression=place)
        kind = self._takes.kinds.get(name)
        if kind is None:
            told = f"Found {shown(name)}, expected one of: {', '.join(self._takes.kinds)}."
            raise refusal(400, told, code="not-supported", expression=place[:80])
        return kind


def _value(kind: str, place: str, part: JsonObject) -> Any:
    for name in _KINDS[kind]:
        if name in part:
            if kind == WHOLE and part[name] < 0:
                break
            return part[name]
    told = f"The parameter {part['name']} needs a value that is {kind}."
    raise refusal(400, told, code="value", expression=place)


def _typed(kind: str, name: str, text: str) -> Any:
    if kind in {TEXT, MOMENT} and text:
        return text
    if kind == WHOLE and _WHOLE.fullmatch(text):
        return int(text)
    if kind == FLAG and text in _FLAGS:
        return _FLAGS[text]
    if kind in {CODING, CONCEPT}:
        told = f"{name} is a {kind}: it is sent in a Parameters body."
    else:
        told = f"Found {shown(text)}, expected {'some text' if kind == TEXT else kind}."
    raise refusal(400, told, code="value", expression=f"http.{name}")
