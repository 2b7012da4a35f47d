"""A profile's differential as a tree of element rules.

The tree follows element ids: ``Observation.component:outcome.value[x]`` is the child ``value[x]``
of the slice ``outcome`` of the child ``component`` of the root. Only what the differential says is
in the tree; everything else is the base standard's, which is checked apart.
"""

from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any

from service.fhir.definitions import DefinitionError
from service.fhir.json import JsonObject

_TYPE_URL = "http://hl7.org/fhir/StructureDefinition/"


@dataclass(frozen=True, slots=True)
class Binding:
    """A value set and how strongly it binds."""

    strength: str
    value_set: str


@dataclass(frozen=True, slots=True)
class Constraint:
    """A FHIRPath rule of a profile; ``human`` says it in words."""

    key: str
    severity: str
    human: str
    expression: str


@dataclass(frozen=True, slots=True)
class Slicing:
    """How repetitions are told apart: discriminators as (type, path), and the rules on the rest."""

    discriminators: tuple[tuple[str, str], ...]
    rules: str = "open"
    ordered: bool = False


@dataclass(slots=True)
class ElementRule:
    """What a profile says about one element or slice; None or empty where it says nothing.

    ``profiles`` are profiles of the element's own datatype, ``targets`` canonicals a reference may
    point to, ``fixed`` and ``pattern`` values that must equal or be contained.
    """

    name: str
    path: str
    min: int = 0
    max: int | None = None
    types: frozenset[str] = frozenset()
    profiles: tuple[str, ...] = ()
    targets: tuple[str, ...] = ()
    fixed: Any = None
    pattern: Any = None
    low: Any = None
    high: Any = None
    max_length: int | None = None
    binding: Binding | None = None
    constraints: tuple[Constraint, ...] = ()
    slicing: Slicing | None = None
    children: dict[str, "ElementRule"] = field(default_factory=dict)
    slices: dict[str, "ElementRule"] = field(default_factory=dict)

    def at(self, steps: list[str]) -> Iterator["ElementRule"]:
        """The rules met on the way down ``steps`` (FHIRPath names), this one first."""
        yield self
        if steps:
            child = self.children.get(steps[0]) or self.children.get(f"{steps[0]}[x]")
            if child is not None:
                yield from child.at(steps[1:])


def element_tree(profile: JsonObject) -> ElementRule:
    """The tree of a StructureDefinition's differential. Raises DefinitionError."""
    kind = profile["type"]
    root = ElementRule(kind, kind)
    for element in profile.get("differential", {}).get("element", []):
        rule = _place(root, str(element.get("id", "")), profile["url"])
        _fill(rule, element)
    return root


def _place(root: ElementRule, identity: str, url: str) -> ElementRule:
    first, *rest = identity.split(".")
    if first != root.name:
        raise DefinitionError(f"{url}: element id {identity!r} does not begin with {root.name}")
    rule = root
    for step in rest:
        name, _, slice_name = step.partition(":")
        child = rule.children.setdefault(name, ElementRule(name, f"{rule.path}.{name}"))
        rule = child
        if slice_name:
            rule = child.slices.setdefault(slice_name, ElementRule(name, child.path))
    return rule


def _fill(rule: ElementRule, element: JsonObject) -> None:
    rule.min = element.get("min", 0)
    maximum = element.get("max", "*")
    rule.max = None if maximum == "*" else int(maximum)
    types = element.get("type", [])
    rule.types = frozenset(entry["code"].removeprefix(_TYPE_URL) for entry in types)
    rule.profiles = tuple(p for entry in types for p in entry.get("profile", []))
    rule.targets = tuple(t for entry in types for t in entry.get("targetProfile", []))
    rule.max_length = element.get("maxLength")
    rule.fixed, rule.pattern = _typed(element, "fixed"), _typed(element, "pattern")
    rule.low, rule.high = _typed(element, "minValue"), _typed(element, "maxValue")
    if "valueSet" in (binding := element.get("binding", {})):
        rule.binding = Binding(binding["strength"], binding["valueSet"])
    rule.constraints = tuple(
        Constraint(c["key"], c["severity"], c["human"], c["expression"])
        for c in element.get("constraint", [])
        if "expression" in c
    )
    if "slicing" in element:
        rule.slicing = _slicing(element["slicing"])


def _typed(element: JsonObject, prefix: str) -> Any:
    """The value of a property such as ``fixedCode``; None where there is none."""
    return next((v for n, v in element.items() if n.startswith(prefix) and n != prefix), None)


def _slicing(slicing: JsonObject) -> Slicing:
    told_by = tuple((d["type"], d["path"]) for d in slicing.get("discriminator", []))
    return Slicing(told_by, slicing.get("rules", "open"), slicing.get("ordered", False))
