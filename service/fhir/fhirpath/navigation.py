"""From an element to the elements inside it."""

from collections.abc import Iterator, Mapping
from decimal import Decimal
from itertools import zip_longest
from typing import Any

from service.fhir.fhirpath.items import Collection, Node
from service.fhir.fhirpath.model import DYNAMIC, UNKNOWN, Step, Types, step_to

_IN_PRIMITIVES = {
    "id": Step("id", "_id", "string", False),
    "extension": Step("extension", None, "Extension", False),
}
_GUESSES: dict[type, str] = {bool: "boolean", int: "integer", Decimal: "decimal", str: "string"}


def actual_type(declared: str, value: Any, types: Types) -> str:
    """The type of a value: what a resource says it is, else what was declared."""
    if declared not in DYNAMIC or type(value) is not dict:
        return declared
    named = value.get("resourceType")
    if type(named) is not str:
        return declared
    return named if types.elements(named) is not None or types.is_type(named) else UNKNOWN


def append_nodes(out: Collection, parent: dict[str, Any], step: Step, types: Types) -> None:
    """Adds the items that one property of ``parent`` holds."""
    key, beside, of, dynamic = step
    value = parent.get(key)
    if beside is not None:
        more = parent.get(beside)
        if more is not None or type(value) is list:
            _append_primitives(out, value, more, of)
        elif value is not None:
            out.append(Node(value, of))
    elif type(value) is list:
        for part in value:
            if part is not None:
                out.append(Node(part, actual_type(of, part, types) if dynamic else of))
    elif value is not None:
        out.append(Node(value, actual_type(of, value, types) if dynamic else of))


def _append_primitives(out: Collection, value: Any, companion: Any, of: str) -> None:
    if type(value) is list or type(companion) is list:
        values = value if type(value) is list else []
        beside = companion if type(companion) is list else []
        for part, more in zip_longest(values, beside):
            if part is not None or more is not None:
                out.append(Node(part, of, more))
    elif value is not None or companion is not None:
        out.append(Node(value, of, companion))


def append_named(out: Collection, node: Any, name: str, types: Types) -> None:
    """Adds the elements called ``name`` inside an item; System values have none."""
    if type(node) is not Node:
        _append_type_info(out, node, name)
        return
    value = node.value
    if type(value) is not dict:
        if type(node.companion) is dict and name in _IN_PRIMITIVES:
            append_nodes(out, node.companion, _IN_PRIMITIVES[name], types)
        return
    steps = types.steps(node.type)
    if steps is None:
        _append_guessed(out, value, name, types)
        return
    found = steps.get(name, ())
    if len(found) == 1:
        append_nodes(out, value, found[0], types)
    elif found:
        for step in _present(value, types.properties(node.type)):
            if step in found:
                append_nodes(out, value, step, types)


def _append_type_info(out: Collection, item: Any, name: str) -> None:
    if name in ("namespace", "name") and hasattr(item, "namespace"):
        out.append(getattr(item, name))


def _append_guessed(out: Collection, value: dict[str, Any], name: str, types: Types) -> None:
    """By the property's name or, for a choice, with the type that ends its name."""
    for key in _property_names(value):
        if key == name:
            append_nodes(out, value, _guess(key, value.get(key)), types)
        elif key.startswith(name) and (of := _type_in(key[len(name) :], types)) is not None:
            append_nodes(out, value, step_to(key, of), types)


def _type_in(suffix: str, types: Types) -> str | None:
    """The type that ``Quantity`` or ``DateTime``, the end of a property's name, stands for."""
    for of in (suffix, suffix[:1].lower() + suffix[1:]):
        if suffix[:1].isupper() and types.is_type(of) and not types.ancestry(of) & DYNAMIC:
            return of
    return None


def _guess(key: str, value: Any) -> Step:
    """By the shape of the value."""
    if type(value) is list:
        return _guess(key, next((part for part in value if part is not None), None))
    if type(value) is dict and "resourceType" in value:
        return step_to(key, "Resource")
    return step_to(key, _GUESSES.get(type(value), UNKNOWN))


def _property_names(value: dict[str, Any]) -> Iterator[str]:
    for key in value:
        if key[:1] == "_":
            if key[1:] not in value:
                yield key[1:]
        elif key != "resourceType":
            yield key


def append_children(out: Collection, node: Any, types: Types) -> None:
    """Adds all elements directly inside an item, in the order of the JSON."""
    if type(node) is not Node:
        return
    value = node.value
    properties = types.properties(node.type) if type(value) is dict else None
    if not properties:
        _append_untold(out, node, types)
        return
    for key, part in value.items():
        step = properties.get(key)
        if step is None:
            beside = properties.get(key[1:]) if key[:1] == "_" else None
            if beside is not None and beside.key not in value:
                append_nodes(out, value, beside, types)
        elif step.beside is None or type(part) is list or part is None or step.beside in value:
            append_nodes(out, value, step, types)
        else:
            # A plain primitive, as most are.
            out.append(Node(part, step.type))


def _append_untold(out: Collection, node: Node, types: Types) -> None:
    """The children of a primitive, and of an object of unknown type."""
    if type(node.value) is dict:
        for key in _property_names(node.value):
            append_nodes(out, node.value, _guess(key, node.value.get(key)), types)
    elif type(node.companion) is dict:
        for step in _IN_PRIMITIVES.values():
            append_nodes(out, node.companion, step, types)


def _present(value: dict[str, Any], properties: Mapping[str, Step]) -> Iterator[Step]:
    """The steps to the known properties that an object has, in its order."""
    for key in value:
        if key in properties:
            yield properties[key]
        elif key[:1] == "_" and key[1:] in properties and key[1:] not in value:
            yield properties[key[1:]]


def count_children(value: dict[str, Any]) -> int:
    """How many items ``append_children`` adds for an object whose properties are all known."""
    count = 0
    for key, part in value.items():
        if type(part) is list:
            count += len(part) if key[:1] != "_" or key[1:] not in value else 0
        elif key[:1] == "_":
            count += key[1:] not in value
        elif key != "resourceType":
            count += 1
    return count


def descendants(items: Collection, types: Types) -> Collection:
    """Everything inside the items, at any depth."""
    found: Collection = []
    layer = items
    while layer:
        below: Collection = []
        for node in layer:
            append_children(below, node, types)
        found.extend(below)
        layer = [node for node in below if type(node.value) is dict or node.companion is not None]
    return found
