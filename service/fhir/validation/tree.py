"""What profiles say about elements, as a tree.

The tree follows element ids: ``Observation.component:outcome.value[x]`` is the child ``value[x]``
of the slice ``outcome`` of the child ``component`` of the root. Only what profiles say is in the
tree; everything else is the base standard's, which is checked apart.
"""

from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any

from service.fhir.structure import Binding, Constraint


@dataclass(frozen=True, slots=True)
class Slicing:
    """How repetitions are told apart: discriminators as (type, path), and the rules on the rest."""

    discriminators: tuple[tuple[str, str], ...]
    rules: str = "open"
    ordered: bool = False


@dataclass(frozen=True, slots=True)
class TypeRule:
    """One type an element may have: profiles of it, any of which will do, and for a Reference
    what it may point to and how."""

    code: str
    profiles: tuple[str, ...] = ()
    targets: tuple[str, ...] = ()
    aggregation: tuple[str, ...] = ()


@dataclass(slots=True)
class ElementRule:
    """What a profile says about one element or slice; None or empty where it says nothing.

    ``fixed`` and ``pattern`` are values that must equal or be contained; ``must_have_value`` asks a
    primitive for a value, ``alternatives`` are extensions that may stand in for one.
    """

    name: str
    path: str
    slice_name: str | None = None
    min: int | None = None
    max: int | None = None
    types: tuple[TypeRule, ...] = ()
    fixed: Any = None
    pattern: Any = None
    low: Any = None
    high: Any = None
    min_length: int | None = None
    max_length: int | None = None
    must_have_value: bool = False
    alternatives: tuple[str, ...] = ()
    bindings: tuple[Binding, ...] = ()
    constraints: tuple[Constraint, ...] = ()
    extensions: tuple[dict[str, Any], ...] = ()
    slicing: Slicing | None = None
    children: "dict[str, ElementRule]" = field(default_factory=dict)
    slices: "dict[str, ElementRule]" = field(default_factory=dict)

    @property
    def type_codes(self) -> frozenset[str]:
        """The types allowed, empty where none are named."""
        return frozenset(rule.code for rule in self.types)

    @property
    def profiles(self) -> tuple[str, ...]:
        """Every profile of the element's own type."""
        return tuple(profile for rule in self.types for profile in rule.profiles)

    @property
    def targets(self) -> tuple[str, ...]:
        """Every canonical a reference may point to."""
        return tuple(target for rule in self.types for target in rule.targets)

    def child(self, step: str) -> "ElementRule | None":
        """The rule of a child by FHIRPath name, whether or not it is a choice."""
        return self.children.get(step) or self.children.get(f"{step}[x]")

    def at(self, steps: list[str]) -> "Iterator[ElementRule]":
        """The rules met on the way down ``steps`` (FHIRPath names), this one first."""
        yield self
        child = self.child(steps[0]) if steps else None
        if child is not None:
            yield from child.at(steps[1:])

    def copy(self) -> "ElementRule":
        """A tree of its own with the same rules."""
        twin = ElementRule(**{name: getattr(self, name) for name in self.__slots__})
        twin.children = {name: child.copy() for name, child in self.children.items()}
        twin.slices = {name: part.copy() for name, part in self.slices.items()}
        return twin
