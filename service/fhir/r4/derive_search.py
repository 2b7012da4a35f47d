"""SearchParameters of the core, with the known faults of their expressions put right."""

from collections.abc import Iterable
from typing import Any

from service.fhir.r4.errata import SEARCH_COMPONENTS, SEARCH_EXPRESSIONS

Json = dict[str, Any]

_KEPT = (
    "resourceType",
    "id",
    "url",
    "version",
    "name",
    "status",
    "code",
    "base",
    "type",
    "expression",
    "target",
)
_NEEDED = ("base", "expression")


def search_table(definitions: Iterable[Json]) -> Json:
    """SearchParameters by canonical, those that say nothing about what they look at left out."""
    return {
        one["url"]: _reduced(one)
        for one in definitions
        if all(one.get(name) for name in _NEEDED)
        and SEARCH_EXPRESSIONS.get(one["id"], "-") is not None
    }


def _reduced(definition: Json) -> Json:
    fact = {name: definition[name] for name in _KEPT if name in definition}
    told = f"R4 search parameter {fact['code']} of {', '.join(fact['base'])}"
    fact["description"] = told  # R4 demands one; its own words are not kept
    fact["expression"] = SEARCH_EXPRESSIONS.get(fact["id"]) or fact["expression"]
    if "component" in definition:
        fact["component"] = [_component(one) for one in definition["component"]]
    return fact


def _component(component: Json) -> Json:
    expression, definition = component["expression"], component["definition"]
    key = (definition.rpartition("/")[2], expression)
    return {
        "definition": definition,
        "expression": SEARCH_COMPONENTS.get(key, expression),
    }
