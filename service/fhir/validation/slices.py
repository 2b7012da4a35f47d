"""Which slice of a profile a repetition belongs to.

Discriminators understood: value and pattern (by fixed value, pattern or required value set),
exists, type and profile. A profile whose slices cannot be told apart is refused when it is loaded.
"""

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Any, Protocol

from service.fhir.definitions import DefinitionError, Definitions
from service.fhir.structure import specialises
from service.fhir.validation.coded import is_member
from service.fhir.validation.items import Item
from service.fhir.validation.matching import holds, same
from service.fhir.validation.references import resolved, stated_type
from service.fhir.validation.rule_paths import RulePaths
from service.fhir.validation.steps import Step, follow, steps_of
from service.fhir.validation.tree import ElementRule, Slicing

_BY_URL = Slicing((("value", "url"),))
_BY_TYPE = Slicing((("type", "$this"),))
DEFAULT = "@default"
"""Name of the slice that takes what no other does."""

Test = Callable[[Item], bool]


class UndecidedError(DefinitionError):
    """A slice that says nothing about what a discriminator looks at."""


class Conforming(Protocol):
    """Answers whether an item meets the profile of a canonical; None for an unknown profile."""

    def __call__(self, item: Item, canonical: str) -> bool | None: ...


@dataclass(frozen=True, slots=True)
class CompiledSlicing:
    """The tests of each slice, and the rules on what matches none."""

    tests: dict[str, list[Test]]
    rules: str
    ordered: bool

    def slice_of(self, item: Item) -> str | None:
        """Name of the first slice whose every test the item passes."""
        return next((n for n, tests in self.tests.items() if all(t(item) for t in tests)), None)


class SliceCompiler:
    """Makes the tests of slices from what their rules say."""

    def __init__(self, definitions: Definitions, paths: RulePaths, conforming: Conforming) -> None:
        self._definitions, self._paths, self._conforming = definitions, paths, conforming

    def compile(self, rule: ElementRule) -> CompiledSlicing | None:
        """The slicing of an element; None where it has no slices. Raises DefinitionError.

        One slice without a slicing is a name for the whole element.
        """
        slicing = rule.slicing or _implied(rule)
        if slicing is None and len(rule.slices) == 1:
            return CompiledSlicing({name: [] for name in rule.slices}, "open", False)
        if slicing is None and rule.slices:
            raise DefinitionError(f"slices of {rule.path} have no slicing")
        if slicing is None or not rule.slices:
            closed = slicing is not None and slicing.rules == "closed"
            return CompiledSlicing({}, "closed", False) if closed else None
        if not slicing.discriminators:
            return None  # nothing tells the slices apart: they are names for people
        tests = {
            name: self._tests(slicing, part)
            for name, part in rule.slices.items()
            if name != DEFAULT
        }
        return CompiledSlicing(tests, slicing.rules, slicing.ordered)

    def _tests(self, slicing: Slicing, part: ElementRule) -> list[Test]:
        """One test a discriminator; a slice need not say something about each."""
        tests, silent = [], []
        for kind, path in slicing.discriminators:
            try:
                tests.append(self._test(kind, path, part))
            except UndecidedError as error:
                silent.append(error)
        if not tests:
            raise silent[0]
        return tests

    def _test(self, kind: str, path: str, part: ElementRule) -> Test:
        steps = steps_of(path)
        if kind == "type":
            return self._type_test(steps, part)
        if kind == "exists":
            return self._exists_test(steps, part)
        if kind == "profile":
            return self._profile_test(steps, part)
        if kind in {"value", "pattern"}:
            return self._value_test(steps, part)
        raise DefinitionError(f"discriminator {kind} of {part.path} is not supported")

    def _type_test(self, steps: tuple[Step, ...], part: ElementRule) -> Test:
        codes = self._paths.types(part, steps)
        if not codes:
            raise UndecidedError(f"slice {part.slice_name} of {part.path} names no type")
        if steps and steps[-1].kind == "resolve":
            return lambda item: any(
                _points_to(reference, codes) for reference in follow(item, steps[:-1])
            )
        return lambda item: any(
            specialises(found.type, code) for found in follow(item, steps) for code in codes
        )

    def _exists_test(self, steps: tuple[Step, ...], part: ElementRule) -> Test:
        rules = self._paths.rules(part, steps)
        wanted = not any(rule.max == 0 for rule in rules)
        return lambda item: (next(follow(item, steps), None) is not None) is wanted

    def _profile_test(self, steps: tuple[Step, ...], part: ElementRule) -> Test:
        canonicals = self._paths.profiles(part, steps)
        if not canonicals:
            raise UndecidedError(f"slice {part.slice_name} of {part.path} names no profile")
        return lambda item: any(
            self._conforming(found, canonical)
            for found in follow(item, steps)
            for canonical in canonicals
        )

    def _value_test(self, steps: tuple[Step, ...], part: ElementRule) -> Test:
        if steps == (Step("name", "url"),) and part.profiles:
            urls = {canonical.partition("|")[0] for canonical in part.profiles}
            return lambda item: any(
                isinstance(found.value, str) and found.value in urls
                for found in follow(item, steps)
            )
        meets = self._expected(steps, part)
        return lambda item: any(meets(found) for found in follow(item, steps))

    def _expected(self, steps: tuple[Step, ...], part: ElementRule) -> Test:
        """The test of the value at ``steps``: from the rules there, or a value set above them."""
        for rule in self._paths.rules(part, steps):
            test = self._of_rule(rule)
            if test is not None:
                return test
        above = list(self._paths.values_above(part, steps))
        if above:
            return lambda item: any(holds(item.value, wanted) for wanted in above)
        shown = ".".join(step.argument or step.kind for step in steps) or "$this"
        raise UndecidedError(f"slice {part.slice_name} of {part.path} says nothing about {shown}")

    def _of_rule(self, rule: ElementRule) -> Test | None:
        if rule.fixed is not None:
            return lambda item: same(item.value, rule.fixed)
        if rule.pattern is not None:
            return lambda item: holds(item.value, rule.pattern)
        if rule.bindings:
            return self._member_test(rule)
        tests = list(self._below(rule))
        if tests:
            return lambda item: all(any(t(i) for i in follow(item, s)) for s, t in tests)
        if rule.max == 0:
            return lambda _: False
        return None

    def _below(self, rule: ElementRule) -> Iterator[tuple[tuple[Step, ...], Test]]:
        """Tests of the children that say which value they have."""
        for child in rule.children.values():
            for part in (child, *child.slices.values()):
                test = self._of_rule(part) if part.fixed is not None or part.pattern is not None \
                    or part.children else None  # fmt: skip
                if test is not None:
                    yield (Step("name", child.name.removesuffix("[x]")),), test

    def _member_test(self, rule: ElementRule) -> Test | None:
        known: list[Any] = [self._definitions.code_set(b.value_set) for b in rule.bindings]
        if None in known:
            return None
        return lambda item: all(is_member(item.value, codes) for codes in known)


def _points_to(reference: Item, codes: frozenset[str]) -> bool:
    found = resolved(reference.value, reference.scope)
    if found is not None:
        return any(specialises(found.type, code) for code in codes)
    value = reference.value
    return isinstance(value, dict) and stated_type(value) in codes


def _implied(rule: ElementRule) -> Slicing | None:
    if rule.name in {"extension", "modifierExtension"}:
        return _BY_URL
    return _BY_TYPE if rule.name.endswith("[x]") else None
