"""R4 types as the generator needs them: the parts of a type, and the constraints on the whole.

A backbone element is a type of its own, named by its path (``Observation.component``); an element
that repeats another's content (``contentReference``) has the type of that other path.
"""

from dataclasses import dataclass
from functools import cache
from typing import Any

from service.fhir.r4 import tables

PRIMITIVES = frozenset(
    [
        "base64Binary", "boolean", "canonical", "code", "date", "dateTime", "decimal", "id",
        "instant", "integer", "markdown", "oid", "positiveInt", "string", "time", "unsignedInt",
        "uri", "url", "uuid", "xhtml",
    ]
)  # fmt: skip
TEXTUAL = PRIMITIVES - {"boolean", "decimal", "integer", "positiveInt", "unsignedInt"}
"""Primitives whose JSON form is text."""
QUANTITIES = frozenset({"Quantity", "Age", "Count", "Distance", "Duration"})


@dataclass(frozen=True, slots=True)
class TypeChoice:
    """One type an element may have: its JSON property, the type, what a Reference may lead to."""

    key: str
    type: str
    targets: frozenset[str] | None = None
    simple: bool = False
    """A SimpleQuantity, which has no comparator."""


@dataclass(frozen=True, slots=True)
class Part:
    """One element of a type. ``name`` comes without ``[x]``; ``bindings`` as the table has them."""

    name: str
    choices: tuple[TypeChoice, ...]
    required: bool
    many: bool
    constraints: tuple[str, ...]
    binding: dict[str, str] | None = None


@dataclass(frozen=True, slots=True)
class TypeFacts:
    """A resource type, datatype or backbone element. ``constraints`` are names in the table."""

    name: str
    parts: dict[str, Part]
    constraints: tuple[str, ...]
    is_resource: bool
    binding: dict[str, str] | None = None


@cache
def type_facts(name: str) -> TypeFacts:
    """The facts of a type or backbone path. Raises KeyError for a type that R4 does not have."""
    root = name.partition(".")[0]
    entry = tables.types()[root]
    rows = {row["path"]: row for row in entry["elements"]}
    below = [
        row
        for path, row in rows.items()
        if path.startswith(f"{name}.") and "." not in path[len(name) + 1 :]
    ]
    parts = [_part(row) for row in below]
    return TypeFacts(
        name=name,
        parts={part.name: part for part in parts},
        constraints=tuple(rows[name].get("invariants", ())),
        is_resource=entry["kind"] == "resource" and name == root,
        binding=rows[name].get("binding") if name == root else None,
    )


def _part(row: dict[str, Any]) -> Part:
    last = row["path"].rpartition(".")[2]
    return Part(
        name=last.removesuffix("[x]"),
        choices=tuple(_choices(row, last)),
        required=row["min"] > 0,
        many=row["max"] != "1",
        constraints=tuple(row.get("invariants", ())),
        binding=row.get("binding"),
    )


def _choices(row: dict[str, Any], last: str) -> list[TypeChoice]:
    if "contentReference" in row:
        return [TypeChoice(last, row["contentReference"])]
    choices = []
    for kind in row.get("types", ()):
        code = kind["code"].removeprefix("System.")
        key = last
        if last.endswith("[x]"):
            key = last.removesuffix("[x]") + code[0].upper() + code[1:]
        if code in ("BackboneElement", "Element"):
            code = row["path"]
        targets = frozenset(kind.get("targets", ()))
        choices.append(
            TypeChoice(
                key,
                "string" if code == "String" else code,
                targets if targets and "Resource" not in targets else None,
                "SimpleQuantity" in kind.get("profiles", ()),
            )
        )
    return choices
