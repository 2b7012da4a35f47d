"""Facts of OperationDefinitions: where an operation is asked, and its parameters."""

from collections.abc import Iterable
from typing import Any

Json = dict[str, Any]

_KEPT = (
    "resourceType",
    "id",
    "url",
    "version",
    "name",
    "status",
    "kind",
    "affectsState",
    "code",
    "resource",
    "system",
    "type",
    "instance",
)
_OF_PARAMETER = ("name", "use", "min", "max", "type", "searchType", "targetProfile")


def operations_table(definitions: Iterable[Json]) -> Json:
    """OperationDefinitions without what only describes, by canonical."""
    return {one["url"]: _reduced(one) for one in definitions if one["kind"] == "operation"}


def _reduced(definition: Json) -> Json:
    fact = {name: definition[name] for name in _KEPT if name in definition}
    if "parameter" in definition:
        fact["parameter"] = [_parameter(one) for one in definition["parameter"]]
    return fact


def _parameter(parameter: Json) -> Json:
    fact = {name: parameter[name] for name in _OF_PARAMETER if name in parameter}
    if "part" in parameter:
        fact["part"] = [_parameter(one) for one in parameter["part"]]
    return fact
