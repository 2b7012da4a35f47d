"""What another system may add to a resource of ours: for tests that it stays where it was put."""

from collections.abc import Iterator
from copy import deepcopy
from typing import Any

from hypothesis import strategies as st

Json = dict[str, Any]

MARK = "kept-by-the-ward-system"
_EXTENSION = {"url": f"https://ward.example/{MARK}", "valueString": MARK}
_MORE: dict[str, Json] = {
    "CarePlan": {
        "instantiatesUri": [f"https://ward.example/{MARK}"],
        "contributor": [{"display": MARK}],
        "supportingInfo": [{"display": MARK}],
    },
    "ServiceRequest": {
        "priority": "urgent",
        "reasonCode": [{"text": MARK}],
        "note": [{"text": MARK}],
    },
    "DeviceRequest": {"priority": "urgent", "note": [{"text": MARK}]},
    "Goal": {"priority": {"text": MARK}, "note": [{"text": MARK}]},
    "Observation": {"note": [{"text": MARK}], "interpretation": [{"text": MARK}]},
}
_FOREIGN_ITEMS: dict[str, Json] = {
    "extension": _EXTENSION,
    "identifier": {"system": "https://ward.example/number", "value": MARK},
    "coding": {"system": "https://ward.example/codes", "code": MARK},
    "category": {"coding": [{"system": "https://ward.example/codes", "code": MARK}]},
    "activity": {"reference": {"reference": "Appointment/1", "display": MARK}},
    "goal": {"reference": f"https://ward.example/Goal/{MARK}"},
    "supportingInfo": {"reference": "Observation/1", "display": MARK},
    "basedOn": {"reference": "CarePlan/1", "display": MARK},
    "performer": {"reference": "Organization/1", "display": MARK},
    "component": {"code": {"text": MARK}, "valueString": MARK},
    "parameter": {"code": {"text": MARK}, "valueBoolean": True},
    "locationCode": {"text": MARK},
}
"""An item that no row can read, for each list in which we and others may stand side by side."""


def added_to(resource: Json) -> st.SearchStrategy[Json]:
    """The resource with one to four foreign additions at any places where R4 allows them."""
    return st.lists(st.integers(0, 10_000), min_size=1, max_size=4).map(
        lambda choices: _with_additions(resource, choices)
    )


def _with_additions(resource: Json, choices: list[int]) -> Json:
    changed = deepcopy(resource)
    for choice in choices:
        places = [*_places(changed)]
        holder, name, item = places[choice % len(places)]
        if name in _FOREIGN_ITEMS and item == _FOREIGN_ITEMS[name]:
            items = holder.setdefault(name, [])
            # Of the numbers of a log entry the first is the sender's: others' come after it.
            first = name == "identifier" and resource["resourceType"] == "Observation"
            items.insert(len(items) if first else choice % (len(items) + 1), deepcopy(item))
        else:
            holder[name] = deepcopy(item)
    return changed


def _places(resource: Json) -> Iterator[tuple[Json, str, Any]]:
    for name, value in _MORE[resource["resourceType"]].items():
        if name not in resource:
            yield resource, name, value
    yield from _inside(resource)


def _inside(holder: Json) -> Iterator[tuple[Json, str, Any]]:
    """Places in ``holder`` and below; our own extensions are closed (R4 ext-1, our profiles)."""
    if "url" in holder or MARK in repr(holder.get("system")):
        values = [part for name, part in holder.items() if name.startswith("value")]
        yield from _in_parts(values)
        return
    for name, value in holder.items():
        if name in _FOREIGN_ITEMS and isinstance(value, list):
            yield holder, name, _FOREIGN_ITEMS[name]
        if isinstance(value, str) and name in ("status", "title", "start", "code"):
            yield holder, f"_{name}", {"extension": [_EXTENSION]}
        if name != "text":
            yield from _in_parts(value if isinstance(value, list) else [value])
    if "extension" not in holder:
        yield holder, "extension", _EXTENSION


def _in_parts(values: list[Any]) -> Iterator[tuple[Json, str, Any]]:
    for value in values:
        if isinstance(value, dict):
            yield from _inside(value)
