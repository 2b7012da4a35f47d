"""Discriminator paths followed through what profiles say."""

from collections.abc import Iterator
from typing import Any

from service.fhir.definitions import Definitions
from service.fhir.structure import type_facts
from service.fhir.validation.facets import HL7
from service.fhir.validation.snapshot import Snapshots
from service.fhir.validation.steps import Step
from service.fhir.validation.tree import ElementRule

_DEEPEST = 8


class RulePaths:
    """Finds the rules, types and profiles at the end of a path from a slice."""

    def __init__(self, definitions: Definitions, snapshots: Snapshots) -> None:
        self._definitions, self._snapshots = definitions, snapshots

    def rules(self, rule: ElementRule, steps: tuple[Step, ...]) -> list[ElementRule]:
        """Every rule on the element at ``steps``, profiles of the types on the way included."""
        found = [rule]
        for step in steps:
            found = [inner for one in found for inner in self._step(one, step)]
        return [*found, *(tree for one in found for tree in self._of_types(one))]

    def _step(self, rule: ElementRule, step: Step) -> Iterator[ElementRule]:
        if step.kind == "ofType":
            parts = [s for s in rule.slices.values() if step.argument in s.type_codes]
            yield from parts or [rule]
            return
        if step.kind == "resolve":
            yield from self._trees(rule.targets)
            return
        for holder in (rule, *self._of_types(rule)):
            if step.kind == "name":
                yield from self._named(holder, step.argument)
            else:
                yield from self._extensions(holder, step.argument)

    def _named(self, holder: ElementRule, name: str) -> Iterator[ElementRule]:
        child = holder.child(name)
        if child is not None:
            yield child
            yield from (part for part in child.slices.values() if (part.min or 0) > 0)

    def _extensions(self, holder: ElementRule, url: str) -> Iterator[ElementRule]:
        child = holder.child("extension")
        for part in child.slices.values() if child else ():
            said = part.child("url")
            if url in {p.partition("|")[0] for p in part.profiles} or (said and said.fixed == url):
                yield part

    def _of_types(self, rule: ElementRule) -> list[ElementRule]:
        return list(self._trees(rule.profiles))

    def _trees(self, canonicals: tuple[str, ...]) -> Iterator[ElementRule]:
        for canonical in canonicals:
            profile = self._definitions.structure(canonical)
            if profile is not None and profile.get("derivation") == "constraint":
                yield self._snapshots.tree(profile)

    def types(self, rule: ElementRule, steps: tuple[Step, ...]) -> frozenset[str]:
        """The types that the element at ``steps`` has to be one of."""
        if steps and steps[-1].kind == "resolve":
            holders = self.rules(rule, steps[:-1])
            kinds = (self.target_type(t) for one in holders for t in one.targets)
            return frozenset(kind for kind in kinds if kind is not None)
        found = self.rules(rule, steps)
        codes = frozenset(code for one in found for code in one.type_codes)
        if not codes:
            parts = [part for one in found for part in one.slices.values()]
            codes = frozenset(code for part in parts for code in part.type_codes)
        return codes or _named_type(rule if not steps else found[0] if found else rule)

    def profiles(self, rule: ElementRule, steps: tuple[Step, ...]) -> tuple[str, ...]:
        """The profiles that the element at ``steps`` has to meet one of."""
        if steps and steps[-1].kind == "resolve":
            holders = self.rules(rule, steps[:-1])
            return tuple(target for one in holders for target in one.targets)
        return tuple(profile for one in self.rules(rule, steps) for profile in one.profiles)

    def values_above(self, rule: ElementRule, steps: tuple[Step, ...]) -> Iterator[Any]:
        """What a fixed value or pattern of an element above says about the one at ``steps``."""
        for depth in reversed(range(len(steps))):
            below = steps[depth:]
            if all(step.kind == "name" for step in below):
                for holder in self.rules(rule, steps[:depth]):
                    for whole in (holder.fixed, holder.pattern):
                        yield from _values(whole, [step.argument for step in below])

    def target_type(self, canonical: str) -> str | None:
        """The resource type that a target profile is of; None where it is not known."""
        bare = canonical.partition("|")[0].removeprefix(HL7)
        if type_facts(bare) is not None:
            return bare
        profile = self._definitions.structure(canonical)
        return None if profile is None else str(profile["type"])


def _named_type(rule: ElementRule) -> frozenset[str]:
    """The type that a slice name such as ``valueQuantity`` of ``value[x]`` implies."""
    base, name = rule.name.removesuffix("[x]"), rule.slice_name or ""
    code = name.removeprefix(base)
    if rule.name == base or code == name or not code:
        return frozenset()
    options = (code, code[0].lower() + code[1:])
    return frozenset(option for option in options if type_facts(option) is not None)


def _values(value: Any, steps: list[str]) -> Iterator[Any]:
    """The values found down ``steps`` in JSON, through arrays."""
    if isinstance(value, list):
        for part in value:
            yield from _values(part, steps)
    elif not steps:
        if value is not None:
            yield value
    elif isinstance(value, dict):
        for name, part in value.items():
            typed = name.startswith(steps[0]) and name[len(steps[0]) : len(steps[0]) + 1].isupper()
            if name == steps[0] or typed:
                yield from _values(part, steps[1:])
