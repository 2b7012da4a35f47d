"""Which slice of a profile a repetition belongs to.

Discriminators understood: value and pattern (by fixed value, pattern or required value set), exists
and type. A profile with another one is refused when it is loaded.
"""

import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Any

from service.fhir.definitions import DefinitionError, Definitions
from service.fhir.validation.coded import is_member
from service.fhir.validation.items import Item
from service.fhir.validation.matching import holds, same
from service.fhir.validation.tree import ElementRule, Slicing

_BY_URL = Slicing((("value", "url"),))
_BY_TYPE = Slicing((("type", "$this"),))
_EXTENSION_STEP = re.compile(r"extension\('([^']+)'\)")
_STEPS = re.compile(r"extension\('[^']+'\)|[A-Za-z]\w*(?=\.|$)|\$this", re.ASCII)

Test = Callable[[Item], bool]


@dataclass(frozen=True, slots=True)
class CompiledSlicing:
    """The tests of each slice, and the rules on what matches none."""

    tests: dict[str, list[Test]]
    rules: str
    ordered: bool

    def slice_of(self, item: Item) -> str | None:
        """Name of the first slice whose every test the item passes."""
        return next((n for n, tests in self.tests.items() if all(t(item) for t in tests)), None)


def compile_slicing(rule: ElementRule, definitions: Definitions) -> CompiledSlicing | None:
    """The slicing of an element; None where it has no slices. Raises DefinitionError."""
    slicing = rule.slicing or _implied(rule)
    if slicing is None or not rule.slices:
        closed = slicing is not None and slicing.rules == "closed"
        return CompiledSlicing({}, "closed", False) if closed else None
    tests = {
        name: [_test(kind, path, part, definitions) for kind, path in slicing.discriminators]
        for name, part in rule.slices.items()
    }
    if not slicing.discriminators:
        raise DefinitionError(f"slicing of {rule.path} has no discriminator")
    return CompiledSlicing(tests, slicing.rules, slicing.ordered)


def _implied(rule: ElementRule) -> Slicing | None:
    if rule.name in {"extension", "modifierExtension"}:
        return _BY_URL
    return _BY_TYPE if rule.name.endswith("[x]") else None


def _test(kind: str, path: str, part: ElementRule, definitions: Definitions) -> Test:
    steps = _steps(path)
    if kind == "type":
        return _type_test(steps, part)
    if kind == "exists":
        return _exists_test(steps, part)
    if kind in {"value", "pattern"}:
        return _value_test(steps, part, definitions)
    raise DefinitionError(f"discriminator {kind} of {part.path} is not supported")


def _steps(path: str) -> list[str]:
    steps = [step for step in _STEPS.findall(path) if step != "$this"]
    if not _STEPS.match(path) or "resolve(" in path or "ofType(" in path:
        raise DefinitionError(f"discriminator path {path} is not supported")
    return steps


def _type_test(steps: list[str], part: ElementRule) -> Test:
    if steps or not part.types:
        raise DefinitionError(f"type discriminator of {part.path} needs $this and a type")
    return lambda item: item.type in part.types


def _exists_test(steps: list[str], part: ElementRule) -> Test:
    *_, last = part.at(steps)
    wanted = last.max != 0
    return lambda item: (next(_values(item.value, steps), None) is not None) is wanted


def _value_test(steps: list[str], part: ElementRule, definitions: Definitions) -> Test:
    meets = _expected(steps, part, definitions)
    return lambda item: any(meets(value) for value in _values(item.value, steps))


def _expected(
    steps: list[str], part: ElementRule, definitions: Definitions
) -> Callable[[Any], bool]:
    """The test of the value at ``steps``, from the rule there or a pattern above it."""
    if steps == ["url"] and part.profiles:
        urls = {canonical.partition("|")[0] for canonical in part.profiles}
        return lambda value: isinstance(value, str) and value in urls
    rules = list(part.at(steps))
    if len(rules) == len(steps) + 1 and rules[-1].binding and _plain(rules[-1]):
        return _member_test(rules[-1], definitions)
    for depth in reversed(range(len(rules))):
        below = steps[depth:]
        fixed = list(_values(rules[depth].fixed, below))
        pattern = list(_values(rules[depth].pattern, below))
        if fixed and not below:
            return lambda value: same(value, fixed[0])
        if fixed or pattern:
            wanted = (fixed or pattern)[0]
            return lambda value: holds(value, wanted)
    raise DefinitionError(f"slice of {part.path} says nothing about {'.'.join(steps) or '$this'}")


def _plain(rule: ElementRule) -> bool:
    return rule.fixed is None and rule.pattern is None


def _member_test(rule: ElementRule, definitions: Definitions) -> Callable[[Any], bool]:
    assert rule.binding is not None  # noqa: S101  # the caller has looked
    codes = definitions.code_set(rule.binding.value_set)
    if codes is None:
        raise DefinitionError(f"value set {rule.binding.value_set} of a slice is not known")
    return lambda value: is_member(value, codes)


def _values(value: Any, steps: list[str]) -> Iterator[Any]:
    """The values found down ``steps``, through arrays and choices."""
    if isinstance(value, list):
        for item in value:
            yield from _values(item, steps)
    elif not steps:
        if value is not None:
            yield value
    elif isinstance(value, dict):
        for child in _children(value, steps[0]):
            yield from _values(child, steps[1:])


def _children(value: dict[str, Any], step: str) -> Iterator[Any]:
    extension = _EXTENSION_STEP.fullmatch(step)
    if extension:
        extensions = (e for e in value.get("extension", []) if isinstance(e, dict))
        yield from (e for e in extensions if e.get("url") == extension.group(1))
    elif step in value:
        yield value[step]
    else:
        typed = (name for name in value if name.startswith(step) and name[len(step)].isupper())
        yield from (value[name] for name in typed)
