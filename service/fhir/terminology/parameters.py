"""R4 Parameters, as operations answer with them."""

from typing import Any

from service.fhir.json import JsonObject


def parameter(name: str, kind: str, value: Any) -> list[JsonObject]:
    """A parameter with a value, ``kind`` as in ``valueCode``; none for None."""
    return [] if value is None else [{"name": name, kind: value}]


def group(name: str, *parts: list[JsonObject]) -> JsonObject:
    """A parameter made of parts."""
    return {"name": name, "part": [one for part in parts for one in part]}


def parameters(*parts: list[JsonObject]) -> JsonObject:
    """The resource that holds them, in this order."""
    return {"resourceType": "Parameters", "parameter": [one for part in parts for one in part]}
