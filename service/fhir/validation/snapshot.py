"""Base and differential made one tree of rules, for any profile whose bases are known."""

from dataclasses import replace

from service.fhir.definitions import DefinitionError, Definitions
from service.fhir.json import JsonObject
from service.fhir.r4 import tables
from service.fhir.structure import type_facts
from service.fhir.validation.facets import HL7, extension_values, fill
from service.fhir.validation.tree import ElementRule

_DEEPEST = 32
_PROFILE_ELEMENT = f"{HL7}elementdefinition-profile-element"


class Snapshots:
    """The tree of each profile, made on first use."""

    def __init__(self, definitions: Definitions) -> None:
        self._definitions = definitions
        self._trees: dict[int, ElementRule] = {}

    def tree(self, profile: JsonObject, depth: int = 0) -> ElementRule:
        """The rules of a profile, those of its base profiles included. Raises DefinitionError."""
        known = self._trees.get(id(profile))
        if known is None:
            if depth > _DEEPEST:
                raise DefinitionError(f"{profile['url']} is its own base")
            known = self._trees[id(profile)] = self._built(profile, depth)
        return known

    def _built(self, profile: JsonObject, depth: int) -> ElementRule:
        tree = self._base(profile, depth)
        elements = profile.get("differential", {}).get("element")
        if not elements:
            elements = profile.get("snapshot", {}).get("element", [])
        placing = _Placing(tree, profile["url"])
        for element in elements:
            rule = placing.rule(element)
            fill(rule, element)
            self._graft(rule, element, depth)
        return tree

    def _graft(self, rule: ElementRule, element: JsonObject, depth: int) -> None:
        """Take over the rules of one element of another profile, where the type says so."""
        for entry in element.get("type", []):
            named = zip(entry.get("profile", []), entry.get("_profile", []), strict=False)
            for canonical, companion in named:
                places = extension_values(companion or {}, _PROFILE_ELEMENT)
                other = self._definitions.structure(canonical)
                if places and other is not None:
                    source = _Placing(self.tree(other, depth + 1), other["url"]).at(places[0])
                    rule.children |= {n: child.copy() for n, child in source.children.items()}
                    rule.slices |= {n: part.copy() for n, part in source.slices.items()}
                    rule.constraints += source.constraints
                    rule.slicing = rule.slicing or source.slicing
                    rule.types = tuple(replace(kind, profiles=()) for kind in rule.types)

    def _base(self, profile: JsonObject, depth: int) -> ElementRule:
        base = str(profile.get("baseDefinition", ""))
        if base.removeprefix(HL7).partition("|")[0] in tables.types():
            return ElementRule(profile["type"].removeprefix(HL7), profile["type"])
        found = self._definitions.structure(base)
        if found is None:
            raise DefinitionError(f"{profile['url']}: its base {base} is not loaded")
        return self.tree(found, depth + 1).copy()


class _Placing:
    """Finds the rule that an element of a differential speaks of, by id or by path."""

    def __init__(self, root: ElementRule, url: str) -> None:
        self._root, self._url = root, url
        self._open: dict[str, ElementRule] = {}

    def rule(self, element: JsonObject) -> ElementRule:
        identity = element.get("id")
        path = str(element["path"])
        usable = isinstance(identity, str) and _plain(identity) == _plain(path)
        rule = self._by_id(str(identity)) if usable else self._by_path(path, element)
        if element.get("sliceName") and rule.slice_name is None:
            rule = _slice(rule, element["sliceName"])
        self._open[path] = rule
        return rule

    def at(self, identity: str) -> ElementRule:
        """The rule of an element id."""
        return self._by_id(identity)

    def _by_id(self, identity: str) -> ElementRule:
        first, *rest = identity.split(".")
        self._check_root(first, identity)
        rule = self._root
        for step in rest:
            name, _, slice_name = step.partition(":")
            rule = _child(rule, name)
            if slice_name:
                rule = _slice(rule, slice_name)
        return rule

    def _by_path(self, path: str, element: JsonObject) -> ElementRule:
        """By path alone; below a slice the slice named last is meant."""
        parent, _, step = path.rpartition(".")
        if not parent:
            self._check_root(path, path)
            return self._root
        holder = self._open.get(parent) or self._by_path(parent, {})
        rule = _child(holder, step)
        name = element.get("sliceName")
        return _slice(rule, name) if name else rule

    def _check_root(self, name: str, identity: str) -> None:
        if name != self._root.name:
            raise DefinitionError(
                f"{self._url}: element {identity!r} does not begin with {self._root.name}"
            )


def _plain(identity: str) -> str:
    return ".".join(step.partition(":")[0] for step in identity.split("."))


def _child(rule: ElementRule, name: str) -> ElementRule:
    """The child of a name; ``valueQuantity`` is that slice of ``value[x]``."""
    known = rule.children.get(name)
    if known is not None:
        return known
    choice = _choice_of(rule, name)
    if choice is None:
        return rule.children.setdefault(name, ElementRule(name, f"{rule.path}.{name}"))
    base, code = choice
    whole = rule.children.setdefault(base, ElementRule(base, f"{rule.path}.{base}"))
    part = _slice(whole, name)
    if not part.types:
        fill(part, {"type": [{"code": code}]})
    return part


def _choice_of(rule: ElementRule, name: str) -> tuple[str, str] | None:
    """``value[x]`` and ``Quantity`` for ``valueQuantity``, where the type has such a choice."""
    for owner in _owners(rule):
        facts = type_facts(owner)
        element = facts.elements.get(name) if facts else None
        if element is not None and element.choice:
            return f"{element.path}[x]", element.type
    return None


def _owners(rule: ElementRule) -> list[str]:
    """The types whose elements the children of a rule are."""
    codes = [code for code in rule.type_codes if code not in {"BackboneElement", "Element"}]
    return codes or [inline_type(rule.path)]


def inline_type(path: str) -> str:
    """The type at a path of plain element names, which may be a backbone."""
    owner, *steps = path.split(".")
    for step in steps:
        facts = type_facts(owner)
        element = facts.elements.get(step.removesuffix("[x]")) if facts else None
        owner = element.type if element is not None else f"{owner}.{step}"
    return owner


def _slice(rule: ElementRule, name: str) -> ElementRule:
    """The slice of a name; ``one/two`` is the slice ``two`` of the slice ``one``."""
    known = rule.slices.get(name)
    if known is not None:
        return known
    outer, slash, inner = name.rpartition("/")
    if slash and outer in rule.slices:
        return _slice(rule.slices[outer], inner)
    part = ElementRule(rule.name, rule.path, slice_name=name, min=0)
    return rule.slices.setdefault(name, part)
