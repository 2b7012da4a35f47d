"""Element paths of the tables: read what is there, put something there, leave the rest alone.

``ServiceRequest.extension(dose).extension(phase)[].extension(breaths).valuePositiveInt`` reads like
FHIRPath. ``name(slice)`` is the repetition that the slice name picks: an extension by its URL, an
identifier, coding or telecom by its system, a category by a coding of that system, a component or
parameter by its code. ``name[0]`` is the first repetition, ``name[]`` stands for all of them.
"""

import re
from collections.abc import Callable, Mapping
from copy import deepcopy
from dataclasses import dataclass, field
from typing import Any

from service.fhir.json import JsonObject
from service.mapping.canonical import code_system, extension_url, identifier_system
from service.mapping.conceptmaps import Translation, is_same_coding

_STEP = re.compile(r"(?P<name>[a-zA-Z]+)(\((?P<slice>[a-z0-9-]+)\))?(?P<index>\[0?\])?")
_PART_CODES = {"component": "airway-session-part", "parameter": "airway-device-parameter"}
_SYSTEMS: Mapping[str, Callable[[str], str]] = {
    "identifier": identifier_system,
    "coding": code_system,
    "telecom": str,
}
STANDARD_PARTS = "session-part"
"""The concept map that adds standard codings to the code of a component."""

Change = Callable[[Any], Any]
SliceKey = str | tuple[str, str]
"""What picks a slice: a URL, a system, or the system and the code of a component or parameter."""


@dataclass(frozen=True, slots=True)
class Step:
    """One step of a path. ``template`` is an empty repetition of a slice; no slice, no template.

    ``key`` tells the slice from others of the element; None where there is none.
    """

    name: str
    repeats: bool = False
    each: bool = False
    template: JsonObject = field(default_factory=dict)
    matches: Callable[[JsonObject], bool] | None = None
    key: SliceKey | None = None

    def fresh(self) -> JsonObject:
        """A new element for this step, with nothing in it but what picks the slice."""
        return deepcopy(self.template)

    def positions(self, parent: JsonObject) -> list[int]:
        """Which repetitions the step means."""
        items = parent.get(self.name) or []
        if self.matches is None:
            return list(range(len(items)))
        return [
            at for at, item in enumerate(items) if isinstance(item, dict) and self.matches(item)
        ]

    def find(self, parent: JsonObject) -> Any:
        """The element, or None."""
        if not self.repeats:
            return parent.get(self.name)
        for item in parent.get(self.name) or ():
            if self.matches is None or (isinstance(item, dict) and self.matches(item)):
                return item
        return None

    def place(self, parent: JsonObject, new: Any) -> None:
        """Put ``new`` where the element is or would be; None takes it away."""
        if not self.repeats:
            if new is None:
                parent.pop(self.name, None)
            else:
                parent[self.name] = new
            return
        positions = self.positions(parent)[:1]
        self.splice(parent, positions, [] if new is None else [new])

    def splice(self, parent: JsonObject, positions: list[int], new: list[Any]) -> None:
        """Replace the repetitions at ``positions`` by ``new`` in order, the others stay in place.

        What is left over of ``new`` follows the last replaced one.
        """
        taken, rest, items = set(positions), list(new), []
        for at, item in enumerate(parent.get(self.name) or []):
            if at not in taken:
                items.append(item)
            elif rest:
                items.append(rest.pop(0))
            if positions and at == positions[-1]:
                items += rest
                rest = []
        items += rest
        if items:
            parent[self.name] = items
        else:
            parent.pop(self.name, None)


def find_at(element: Any, steps: tuple[Step, ...]) -> Any:
    """What is at the end of ``steps``, or None."""
    for step in steps:
        if not isinstance(element, dict):
            return None
        element = step.find(element)
    return element


def change_at(element: JsonObject, steps: tuple[Step, ...], change: Change) -> None:
    """Replace what is at the end of ``steps`` by what ``change`` makes of it (None: nothing).

    Elements on the way are made where needed and taken away when nothing but their slice is left.
    """
    step, rest = steps[0], steps[1:]
    old = step.find(element)
    if not rest:
        step.place(element, change(old))
        return
    child = step.fresh() if old is None else old
    change_at(child, rest, change)
    step.place(element, None if child == step.template else child)


def parse_path(text: str, translations: Mapping[str, Translation]) -> tuple[Step, ...]:
    """The steps below the resource or datatype that ``text`` begins with. Raises ValueError."""
    _, *parts = text.split(".")
    steps: list[Step] = []
    for part in parts:
        match = _STEP.fullmatch(part)
        if match is None:
            raise ValueError(f"{part!r} is not a step of an element path")
        inside = bool(steps) and steps[-1].name == "extension"
        steps.append(_step(match["name"], match["slice"], match["index"], inside, translations))
    return tuple(steps)


def _step(
    name: str,
    slice_name: str | None,
    index: str | None,
    inside_extension: bool,
    translations: Mapping[str, Translation],
) -> Step:
    each = index == "[]"
    if slice_name is None:
        return Step(name, repeats=index is not None, each=each)
    if name == "extension":
        url = slice_name if inside_extension else extension_url(slice_name)
        return Step(name, True, each, {"url": url}, _has("url", url), url)
    if name in _SYSTEMS:
        system = _SYSTEMS[name](slice_name)
        return Step(name, True, each, {"system": system}, _has("system", system), system)
    if name == "category":
        system = code_system(slice_name)
        return Step(name, True, each, {}, _is_coded_in(system), system)
    if name in _PART_CODES:
        coding = {"system": code_system(_PART_CODES[name]), "code": slice_name}
        also = translations[STANDARD_PARTS].of(slice_name) if name == "component" else []
        template = {"code": {"coding": [coding, *also]}}
        key = (coding["system"], slice_name)
        return Step(name, True, each, template, _has_code(coding), key)
    raise ValueError(f"{name} has no slices")


def _has(key: str, value: str) -> Callable[[JsonObject], bool]:
    return lambda item: item.get(key) == value


def _is_coded_in(system: str) -> Callable[[JsonObject], bool]:
    return lambda item: any(coding.get("system") == system for coding in item.get("coding", []))


def _has_code(wanted: JsonObject) -> Callable[[JsonObject], bool]:
    return lambda item: any(
        is_same_coding(coding, wanted) for coding in item.get("code", {}).get("coding", [])
    )
