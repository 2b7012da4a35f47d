"""Discriminator paths: taken apart, and followed through a resource and through rules.

R4 elementdefinition.html restricts them to element names, ``$this``, ``extension(url)``,
``resolve()`` and ``ofType(type)``.
"""

import re
from collections.abc import Iterator
from typing import NamedTuple

from service.fhir.definitions import DefinitionError
from service.fhir.structure import specialises
from service.fhir.validation.items import Item, elements_named, items_of
from service.fhir.validation.references import resolved

_STEP = re.compile(
    r"(?:(?P<call>extension|ofType|as)\(\s*'?(?P<argument>[^')]+)'?\s*\)|(?P<resolve>resolve\(\))"
    r"|(?P<this>\$this)|(?P<name>[A-Za-z]\w*)(?:\[x\])?)(?:\.|$)",
    re.ASCII,
)


class Step(NamedTuple):
    """``kind`` is name, extension, ofType or resolve; ``argument`` a name, URL or type."""

    kind: str
    argument: str = ""


def steps_of(path: str) -> tuple[Step, ...]:
    """The steps of a discriminator path, ``$this`` left out. Raises DefinitionError."""
    steps, at = [], 0
    while at < len(path):
        match = _STEP.match(path, at)
        if match is None:
            raise DefinitionError(f"discriminator path {path} is not supported")
        at = match.end()
        if match["name"]:
            steps.append(Step("name", match["name"]))
        elif match["resolve"]:
            steps.append(Step("resolve"))
        elif match["call"]:
            kind = "extension" if match["call"] == "extension" else "ofType"
            steps.append(Step(kind, match["argument"]))
    return tuple(steps)


def follow(item: Item, steps: tuple[Step, ...]) -> Iterator[Item]:
    """The items that the steps lead to."""
    if not steps:
        yield item
        return
    for inner in _one(item, steps[0]):
        yield from follow(inner, steps[1:])


def _one(item: Item, step: Step) -> Iterator[Item]:
    if step.kind == "ofType":
        if specialises(item.type, step.argument):
            yield item
    elif step.kind == "resolve":
        found = resolved(item.value, item.scope)
        if found is not None:
            yield Item.of_resource(found)
    else:
        facts = item.facts()
        name = "extension" if step.kind == "extension" else step.argument
        for inner in items_of(item, elements_named(facts, name)) if facts else ():
            if step.kind == "name" or inner.content().get("url") == step.argument:
                yield inner
