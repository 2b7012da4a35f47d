"""Every object inside the official examples, with its type and the constraints that apply to it."""

import json
from collections import defaultdict
from functools import cache

from shared_data import shared

from service.fhir.json import read
from service.fhir.type_model import R4

LARGEST = 60_000
"""Bytes of the largest example taken; the few larger ones hold nothing of another kind."""


def objects(value, type_name):
    """``(type, object)`` of a resource and of everything inside it."""
    yield type_name, value
    for element in (R4.elements(type_name) or {}).values():
        for key, of in element.keys.items():
            held = value.get(key)
            for part in held if isinstance(held, list) else [held]:
                if isinstance(part, dict):
                    inner = part.get("resourceType") if of == "Resource" else of
                    yield from objects(part, inner)


@cache
def example_objects():
    """``(file, resource, type, object)`` for the official examples."""
    rows = []
    for file in sorted(shared("conformance/examples").glob("*.json")):
        if file.stat().st_size <= LARGEST:
            resource = read(file.read_bytes())
            if "resourceType" in resource:
                found = objects(resource, resource["resourceType"])
                rows += [(file.name, resource, name, value) for name, value in found]
    return rows


@cache
def official_invariants():
    """Expressions of the published 4.0.1 constraints by key, faults included."""
    table = json.loads(shared("conformance/r4-structure.json").read_text("utf-8"))
    return {key: row["expression"] for key, row in table["invariants"].items()}


@cache
def invariants_by_type():
    """Keys of the constraints on each type, backbones by their path."""
    table = json.loads(shared("conformance/r4-structure.json").read_text("utf-8"))
    keys = defaultdict(list)
    for row in table["types"].values():
        for element in row["elements"]:
            keys[element["path"]] += element.get("invariants", [])
    return keys
