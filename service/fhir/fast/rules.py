"""What a profile adds to its base: its differential as a tree of rules by element and slice."""

from dataclasses import dataclass, field
from typing import Any

from service.fhir.json import JsonObject


class UnsupportedError(Exception):
    """A profile says something that this generator does not turn into code.

    Such a profile is left to the diagnosing validator, so nothing is lost but time.
    """


@dataclass(slots=True)
class Rule:
    """What a profile says of one element or slice; None and empty where it says nothing."""

    low: int | None = None
    high: str | None = None
    types: list[JsonObject] | None = None
    fixed: Any = None
    pattern: Any = None
    binding: JsonObject | None = None
    constraints: list[JsonObject] = field(default_factory=list)
    max_length: int | None = None
    slicing: JsonObject | None = None
    slices: dict[str, "Rule"] = field(default_factory=dict)
    children: dict[str, "Rule"] = field(default_factory=dict)

    @property
    def prohibited(self) -> bool:
        """Whether the element must not be there."""
        return self.high == "0"


_SAID_ELSEWHERE = frozenset(
    [
        "id", "path", "sliceName", "short", "definition", "comment", "requirements", "alias",
        "mustSupport", "isSummary", "isModifier", "isModifierReason", "base", "mapping", "example",
        "label", "code", "condition", "meaningWhenMissing", "representation",
        "min", "max", "type", "binding", "constraint", "maxLength", "slicing",
    ]
)  # fmt: skip


def rule_tree(profile: JsonObject) -> Rule:
    """The rules of a profile on a type of the core.

    Raises UnsupportedError for a profile on a profile, re-slicing, and any keyword whose meaning is
    not known here.
    """
    base = "http://hl7.org/fhir/StructureDefinition/"
    if profile.get("baseDefinition") != base + profile["type"]:
        raise UnsupportedError("a profile on a profile")
    elements = profile.get("differential", {}).get("element")
    if not elements:
        raise UnsupportedError("a profile without differential")
    root = Rule()
    for element in elements:
        _take(element, _place(root, element))
    return root


def _place(root: Rule, element: JsonObject) -> Rule:
    if "id" not in element:
        raise UnsupportedError("an element without id")
    rule = root
    for step in element["id"].split(".")[1:]:
        name, _, slice_name = step.partition(":")
        rule = rule.children.setdefault(name.removesuffix("[x]"), Rule())
        if "/" in slice_name:
            raise UnsupportedError("re-slicing")
        if slice_name:
            rule = rule.slices.setdefault(slice_name, Rule())
    return rule


def _take(element: JsonObject, rule: Rule) -> None:
    rule.low, rule.high = element.get("min"), element.get("max")
    rule.types, rule.binding = element.get("type"), element.get("binding")
    rule.max_length, rule.slicing = element.get("maxLength"), element.get("slicing")
    rule.constraints = element.get("constraint", [])
    for key, value in element.items():
        if key.startswith("fixed"):
            rule.fixed = value
        elif key.startswith("pattern"):
            rule.pattern = value
        elif key not in _SAID_ELSEWHERE:
            raise UnsupportedError(f"the keyword {key}")
    for row in [*(rule.types or ()), rule.binding or {}]:
        if row.keys() & {"extension", "additional", "aggregation", "_code"}:
            raise UnsupportedError("a type or binding with more to it")


def merged(element: Rule, piece: Rule) -> Rule:
    """The rules of a slice together with those of the element that is sliced.

    Raises UnsupportedError where both say the same thing of one place and one would hide the other.
    """
    both = Rule(
        low=piece.low,
        high=piece.high,
        types=_one(element.types, piece.types),
        fixed=_one(element.fixed, piece.fixed),
        pattern=_one(element.pattern, piece.pattern),
        binding=_one(element.binding, piece.binding),
        constraints=[*element.constraints, *piece.constraints],
        max_length=_one(element.max_length, piece.max_length),
        slicing=piece.slicing,
        slices=piece.slices,
    )
    for name in element.children.keys() | piece.children.keys():
        ours, theirs = element.children.get(name), piece.children.get(name)
        both.children[name] = _merged_child(ours, theirs)
    return both


def _merged_child(ours: Rule | None, theirs: Rule | None) -> Rule:
    if ours is None or theirs is None:
        return ours or theirs or Rule()
    child = merged(ours, theirs)
    child.low = max(ours.low or 0, theirs.low or 0)
    child.high = _one(ours.high, theirs.high)
    if ours.slices:
        raise UnsupportedError("slices in an element and in its slice")
    return child


def _one(left: Any, right: Any) -> Any:
    if left is not None and right is not None and left != right:
        raise UnsupportedError("an element and its slice say different things")
    return right if left is None else left
