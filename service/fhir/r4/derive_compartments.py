"""Facts of CompartmentDefinitions: which parameters put a resource into a compartment."""

from collections.abc import Iterable
from typing import Any

Json = dict[str, Any]


def compartments_table(definitions: Iterable[Json]) -> Json:
    """``{"Patient": {"Observation": ["subject", "performer"], ...}, ...}``."""
    return {
        one["code"]: {row["code"]: row["param"] for row in one["resource"] if row.get("param")}
        for one in definitions
        if not one["id"].startswith("example")
    }
