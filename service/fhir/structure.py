"""The structure of R4 resources, datatypes and backbones, as facts from the committed tables.

A type is read on first use. A backbone has no name in the standard; here it is called by its path,
such as ``Observation.component``.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache, lru_cache
from typing import Any

from service.fhir.r4 import tables

_INLINE = frozenset({"BackboneElement", "Element"})


@dataclass(frozen=True, slots=True)
class Constraint:
    """A FHIRPath rule; ``human`` says it in words where its author did."""

    key: str
    severity: str
    expression: str
    human: str = ""
    best_practice: bool = False


@dataclass(frozen=True, slots=True)
class Binding:
    """A value set and how strongly it binds; ``maximum`` is the set that may not be left."""

    strength: str
    value_set: str
    maximum: str | None = None


@dataclass(frozen=True, slots=True)
class Element:
    """One property of an object: its JSON name, FHIRPath name, type and bounds.

    ``type`` is a primitive's or datatype's R4 name, ``Resource`` for any resource, or the path of a
    backbone. For a choice, ``path`` is ``value`` where ``name`` is ``valueQuantity``. ``targets``
    are the types a reference may point to, empty for any; ``profiles`` those of its datatype;
    ``constraints`` what the element itself states, beside what its type does.
    """

    name: str
    path: str
    type: str
    primitive: bool
    many: bool
    required: bool
    choice: bool
    binding: Binding | None = None
    targets: frozenset[str] = frozenset()
    profiles: tuple[str, ...] = ()
    constraints: tuple[Constraint, ...] = ()


@dataclass(frozen=True, slots=True)
class Choice:
    """An element of several types, such as ``Observation.value[x]``."""

    path: str
    names: frozenset[str]
    required: bool


@dataclass(frozen=True, slots=True)
class TypeFacts:
    """The elements of one type by JSON name; ``required`` leaves the choices out."""

    name: str
    is_resource: bool
    is_backbone: bool
    elements: dict[str, Element]
    required: tuple[Element, ...]
    choices: dict[str, Choice]
    constraints: tuple[Constraint, ...] = ()


@cache
def is_resource_type(name: str) -> bool:
    """Whether ``name`` is a concrete resource type of R4."""
    row = tables.types().get(name)
    return row is not None and row["kind"] == "resource" and not row["abstract"]


@cache
def is_primitive(name: str) -> bool:
    """Whether ``name`` is a primitive type of R4."""
    row = tables.types().get(name)
    return row is not None and row["kind"] == "primitive-type"


@cache
def specialises(name: str, ancestor: str) -> bool:
    """Whether a type is ``ancestor`` or derived from it: Age is a Quantity, code a string."""
    row = tables.types().get(name)
    if name == ancestor:
        return True
    return row is not None and "base" in row and specialises(row["base"], ancestor)


@lru_cache(maxsize=4096)
def type_facts(name: str) -> TypeFacts | None:
    """Facts of a resource, datatype or backbone (``Observation.component``); None if unknown."""
    owner = name.partition(".")[0]
    row = tables.types().get(owner)
    rows = [] if row is None else [r for r in row["elements"] if r["path"] == name]
    if row is None or not rows or (name != owner and not _is_inline(rows[0])):
        return None
    elements = {element.name: element for element in _elements(row, name)}
    return TypeFacts(
        name=name,
        is_resource=row["kind"] == "resource" and name == owner,
        is_backbone=name != owner,
        elements=elements,
        required=tuple(e for e in elements.values() if e.required and not e.choice),
        choices=_choices(elements),
        constraints=_constraints(rows[0]) if name == owner else (),
    )


def _is_inline(fact: tables.Table) -> bool:
    return any(kind["code"] in _INLINE for kind in fact.get("types", ()))


def _elements(row: tables.Table, name: str) -> Iterator[Element]:
    for fact in row["elements"]:
        parent, _, step = fact["path"].rpartition(".")
        if parent == name:
            for kind in fact.get("types") or [{"code": fact.get("contentReference", name)}]:
                yield _element(fact, step, kind)


def _element(fact: tables.Table, step: str, kind: tables.Table) -> Element:
    code = kind["code"].replace("System.String", "string")
    path = step.removesuffix("[x]")
    choice = step != path
    binding = fact.get("binding", {})
    targets = frozenset(kind.get("targets", ()))
    return Element(
        name=path + code[0].upper() + code[1:] if choice else path,
        path=path,
        type=fact["path"] if code in _INLINE and not choice else code,
        primitive=is_primitive(code),
        many=fact["max"] != "1",
        required=fact["min"] > 0,
        choice=choice,
        binding=(
            Binding(binding["strength"], binding["valueSet"], binding.get("max"))
            if "valueSet" in binding
            else None
        ),
        targets=frozenset() if "Resource" in targets else targets,
        profiles=tuple(kind.get("profiles", ())),
        constraints=_constraints(fact),
    )


def _constraints(fact: tables.Table) -> tuple[Constraint, ...]:
    return tuple(_constraint(name) for name in fact.get("invariants", ()))


@cache
def _constraint(name: str) -> Constraint:
    row: dict[str, Any] = tables.invariants()[name]
    return Constraint(
        row["key"], row["severity"], row["expression"], best_practice=row.get("bestPractice", False)
    )


def _choices(elements: dict[str, Element]) -> dict[str, Choice]:
    names: dict[str, list[Element]] = {}
    for element in elements.values():
        if element.choice:
            names.setdefault(element.path, []).append(element)
    return {
        path: Choice(path, frozenset(e.name for e in group), any(e.required for e in group))
        for path, group in names.items()
    }
