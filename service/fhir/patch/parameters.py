"""The operations of a FHIRPath Patch as its Parameters say them (R4 fhirpatch.html)."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Final, Literal

from service.fhir.fhirpath import Expression, FhirPathError, TypeModel, compile_expression
from service.fhir.json import JsonObject
from service.fhir.outcome import shown
from service.fhir.patch.errors import MalformedPatchError
from service.fhir.patch.safe_paths import check_safe

MAX_OPERATIONS: Final = 100
MAX_PATH: Final = 1000
"""Longest path, in characters."""

Kind = Literal["add", "insert", "delete", "replace", "move"]

_NEEDED: Final[Mapping[str, frozenset[str]]] = {
    "add": frozenset({"name", "value"}),
    "insert": frozenset({"value", "index"}),
    "delete": frozenset(),
    "replace": frozenset({"value"}),
    "move": frozenset({"source", "destination"}),
}
_TEXTS = {"type": "valueCode", "path": "valueString", "name": "valueString"}
_NUMBERS = ("index", "source", "destination")


@dataclass(frozen=True, slots=True)
class Content:
    """A value to be put into a resource.

    ``type`` is its R4 type, empty for an object given in parts; ``companion`` holds the id and
    extensions of a primitive.
    """

    type: str
    value: Any
    companion: JsonObject | None = None


@dataclass(frozen=True, slots=True)
class Part:
    """A named part of an object given in parts, which may hold further parts."""

    name: str
    content: "Content | tuple[Part, ...]"
    place: str


@dataclass(frozen=True, slots=True)
class Operation:
    """One operation; what its kind does not need is None. ``place``: of it in the Parameters."""

    kind: Kind
    path: str
    expression: Expression
    place: str
    name: str | None = None
    content: Content | tuple[Part, ...] | None = None
    index: int | None = None
    source: int | None = None
    destination: int | None = None


def operations_in(parameters: Any, model: TypeModel) -> list[Operation]:
    """The operations in their order. Raises MalformedPatchError with the place of the fault."""
    if not isinstance(parameters, dict) or parameters.get("resourceType") != "Parameters":
        raise MalformedPatchError("A FHIRPath Patch is a Parameters resource.", "Parameters")
    listed = parameters.get("parameter", [])
    if not isinstance(listed, list):
        raise MalformedPatchError("A list is expected.", "Parameters.parameter", "structure")
    if len(listed) > MAX_OPERATIONS:
        told = f"{len(listed)} operations, at most {MAX_OPERATIONS} are taken."
        raise MalformedPatchError(told, "Parameters.parameter", "too-costly")
    places = [f"Parameters.parameter[{number}]" for number in range(len(listed))]
    return [
        _Reading(model, place).operation(one) for one, place in zip(listed, places, strict=True)
    ]


class _Reading:
    """Reads one operation at ``place``."""

    def __init__(self, model: TypeModel, place: str) -> None:
        self._model, self._place = model, place
        choices = (model.elements("Parameters.parameter") or {})["value"].keys
        self._choices: Mapping[str, str] = choices

    def operation(self, parameter: Any) -> Operation:
        if not isinstance(parameter, dict) or parameter.get("name") != "operation":
            raise MalformedPatchError("A parameter named operation is expected.", self._place)
        parts = self._named(parameter)
        kind = self._text(parts, "type")
        if kind not in _NEEDED:
            told = f"{shown(kind)} is no operation; one of {', '.join(_NEEDED)} is expected."
            raise MalformedPatchError(told, self._place)
        missing = sorted(_NEEDED[kind] - parts.keys())
        if missing:
            told = f"{kind} needs {' and '.join(missing)}."
            raise MalformedPatchError(told, self._place, "required")
        path = self._text(parts, "path")
        numbers = {name: self._number(parts, name) for name in _NUMBERS if name in parts}
        return Operation(
            kind=kind,  # type: ignore[arg-type]  # one of _NEEDED
            path=path,
            expression=self._expression(path),
            place=self._place,
            name=self._text(parts, "name") if "name" in parts else None,
            content=self._content(*parts["value"]) if "value" in parts else None,
            **numbers,
        )

    def _named(self, parameter: JsonObject) -> dict[str, tuple[JsonObject, str]]:
        """Parts by name, each with its place."""
        listed = parameter.get("part", [])
        found: dict[str, tuple[JsonObject, str]] = {}
        for number, part in enumerate(listed if isinstance(listed, list) else []):
            place = f"{self._place}.part[{number}]"
            name = part.get("name") if isinstance(part, dict) else None
            if name not in (*_TEXTS, *_NUMBERS, "value"):
                raise MalformedPatchError(f"{shown(name)} is no part of an operation.", place)
            if name in found:
                raise MalformedPatchError(f"{name} is given twice.", place, "duplicate")
            found[name] = (part, place)
        return found

    def _text(self, parts: Mapping[str, tuple[JsonObject, str]], name: str) -> str:
        if name not in parts:
            raise MalformedPatchError(f"A part {name} is expected.", self._place, "required")
        part, place = parts[name]
        value = part.get(_TEXTS[name], part.get("valueString"))
        if not isinstance(value, str):
            raise MalformedPatchError(f"{_TEXTS[name]} is expected.", place, "structure")
        return value

    def _number(self, parts: Mapping[str, tuple[JsonObject, str]], name: str) -> int:
        part, place = parts[name]
        value = part.get("valueInteger")
        if type(value) is not int or value < 0:
            told = "valueInteger is expected: a whole number, counted from 0."
            raise MalformedPatchError(told, place, "structure")
        return value

    def _expression(self, path: str) -> Expression:
        if len(path) > MAX_PATH:
            told = f"A path of {len(path)} characters, at most {MAX_PATH} are read."
            raise MalformedPatchError(told, self._place, "too-long")
        try:
            expression = compile_expression(path, self._model)
        except FhirPathError as error:
            raise MalformedPatchError(f"The path cannot be read: {error}.", self._place) from None
        check_safe(expression.tree, self._place)
        return expression

    def _content(self, part: JsonObject, place: str) -> Content | tuple[Part, ...]:
        resource = part.get("resource")
        if isinstance(resource, dict):
            return Content(str(resource.get("resourceType")), resource)
        if "part" in part:
            return self._parts(part["part"], place)
        keys = [key for key in self._choices if key in part or f"_{key}" in part]
        if len(keys) != 1:
            raise MalformedPatchError("One value is expected, or parts.", place, "structure")
        companion = part.get(f"_{keys[0]}")
        if companion is not None and not isinstance(companion, dict):
            raise MalformedPatchError("An object is expected.", f"{place}._{keys[0]}", "structure")
        return Content(self._choices[keys[0]], part.get(keys[0]), companion)

    def _parts(self, listed: Any, place: str) -> tuple[Part, ...]:
        if not isinstance(listed, list) or not listed:
            raise MalformedPatchError("A list of parts is expected.", place, "structure")
        return tuple(
            self._part(part, f"{place}.part[{number}]") for number, part in enumerate(listed)
        )

    def _part(self, part: Any, place: str) -> Part:
        if not isinstance(part, dict) or not isinstance(part.get("name"), str):
            raise MalformedPatchError("A part with a name is expected.", place, "structure")
        return Part(part["name"], self._content(part, place), place)
