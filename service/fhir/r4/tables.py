"""The committed tables in memory, each read once on first use."""

from functools import cache
from pathlib import Path
from typing import Any

import orjson

Table = dict[str, Any]


@cache
def _read(name: str) -> Table:
    table: Table = orjson.loads(Path(__file__).with_name(name).read_bytes())
    return table


def types() -> Table:
    """Every type of R4 by name: kind, abstract, base and the elements of its snapshot."""
    table: Table = _read("structure.json")["types"]
    return table


def invariants() -> Table:
    """Constraints by the name that elements list them under: key, severity, expression."""
    table: Table = _read("structure.json")["invariants"]
    return table


def profiles() -> Table:
    """Profiles and extensions of the core by canonical, as StructureDefinitions of facts only."""
    table: Table = _read("profiles.json")["profiles"]
    return table


def code_systems() -> Table:
    """Codes of the complete code systems of the core by canonical."""
    table: Table = _read("codesystems.json")["codeSystems"]
    return table


def value_sets() -> Table:
    """Codes of value sets by canonical and system; None for every code of a system."""
    table: Table = _read("valuesets.json")["valueSets"]
    return table


def operations() -> Table:
    """OperationDefinitions by canonical, without what only describes them."""
    table: Table = _read("operations.json")["operations"]
    return table


def compartments() -> Table:
    """Parameters that put a resource into a compartment, by compartment and type."""
    table: Table = _read("compartments.json")["compartments"]
    return table


def search_parameters() -> Table:
    """SearchParameters by canonical, known faults put right, described in our words."""
    table: Table = _read("search.json")["searchParameters"]
    return table
