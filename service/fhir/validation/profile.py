"""One profile, compiled once from its snapshot and applied many times on top of the base."""

from service.fhir.definitions import DefinitionError
from service.fhir.json import JsonObject
from service.fhir.outcome import Finding
from service.fhir.structure import Element, TypeFacts, type_facts
from service.fhir.validation.constraints import compiled
from service.fhir.validation.items import Item, elements_named, items_of
from service.fhir.validation.report import Report
from service.fhir.validation.scope import Scope
from service.fhir.validation.slices import DEFAULT, CompiledSlicing
from service.fhir.validation.tools import Tools
from service.fhir.validation.tree import ElementRule
from service.fhir.validation.values import ValueCheck, compile_values


class ProfileCheck:
    """The checks of one StructureDefinition, those of its profile bases included."""

    def __init__(self, profile: JsonObject, tools: Tools) -> None:
        """Compile. Raises DefinitionError for what cannot be applied or is not loaded."""
        version = profile.get("version")
        self.canonical = profile["url"] + (f"|{version}" if version else "")
        self.url: str = profile["url"]
        self.definition = profile
        tree = tools.snapshots.tree(profile)
        self.type = tree.name
        facts = type_facts(self.type)
        if facts is None:
            raise DefinitionError(f"{self.canonical} is of unknown type {self.type}")
        self._rule = _Rule(tree, facts, tools)

    def check(self, item: Item, report: Report) -> None:
        """Report what is wrong with a resource or datatype."""
        self._rule.repetition(item, report.under(self.canonical), item.path)

    def findings(self, item: Item) -> list[Finding]:
        """The same as a list of its own."""
        report = Report(self.canonical)
        self.check(item, report)
        return report.findings


class _Rule:
    """The compiled rule of one element or slice."""

    def __init__(self, rule: ElementRule, facts: TypeFacts | None, tools: Tools) -> None:
        self._rule, self._tools = rule, tools
        self._values: ValueCheck = compile_values(rule, tools.definitions)
        self._slicing: CompiledSlicing | None = tools.slices.compile(rule)
        self._slices = {n: _Rule(p, _of(p, facts), tools) for n, p in rule.slices.items()}
        self._children = [
            _Child(child, self._elements(child, facts), tools) for child in rule.children.values()
        ]
        for constraint in rule.constraints:
            compiled(constraint.expression)

    def _elements(self, child: ElementRule, facts: TypeFacts | None) -> list[Element] | None:
        """The properties a child may be; None where they depend on the type met."""
        if facts is None:
            return None
        elements = elements_named(facts, child.name)
        if not elements and child.name not in {"value", "extension", "id"}:
            raise DefinitionError(f"{child.path}: {facts.name} has no {child.name}")
        return elements

    def _amount(
        self, items: list[Item], place: str, report: Report, owner: str, name: str = ""
    ) -> None:
        """Check how many repetitions there are."""
        count, low, high = len(items), self._rule.min or 0, self._rule.max
        said = f"{place}:{name}" if name else place
        if count < low:
            found = (
                f"found {count}, expected at least {low}" if count or low > 1 else "it is missing"
            )
            report.add("error", "required", owner, f"{said}: {found}", "cardinality-min")
        if high is not None and count > high:
            found = f"{said}: found {count}, expected at most {high}"
            report.add("error", "structure", items[high].path, found, "cardinality-max")

    def repetitions(
        self, items: list[Item], place: str, report: Report, owner: str, name: str = ""
    ) -> None:
        """Check all repetitions of the element or slice, and of each slice of it."""
        self._amount(items, place, report, owner, name)
        for item in items:
            self._content(item, report)
        if self._slicing is not None:
            self._sliced(items, self._slicing, place, report, owner)

    def repetition(self, item: Item, report: Report, owner: str) -> None:
        """Check one that stands alone, such as a whole resource."""
        self._content(item, report)
        if self._slicing is not None:
            self._sliced([item], self._slicing, item.path, report, owner)

    def _sliced(
        self, items: list[Item], slicing: CompiledSlicing, place: str, report: Report, owner: str
    ) -> None:
        members: dict[str, list[Item]] = {name: [] for name in self._slices}
        met: list[tuple[str | None, Item]] = []
        for item in items:
            name = slicing.slice_of(item) or (DEFAULT if DEFAULT in members else None)
            met.append((name, item))
            if name is not None:
                members[name].append(item)
            elif slicing.rules == "closed":
                report.add("error", "structure", item.path, "it is none of the slices allowed",
                           "slice-closed")  # fmt: skip
        for name, rule in self._slices.items():
            rule.repetitions(members[name], place, report, owner, name)
        self._order(met, slicing, place, report, owner)

    def _order(
        self, met: list[tuple[str | None, Item]], slicing: CompiledSlicing, place: str,
        report: Report, owner: str,
    ) -> None:  # fmt: skip
        if slicing.ordered:
            order = list(self._slices)
            ranks = [order.index(name) for name, _ in met if name is not None]
            if ranks != sorted(ranks):
                text = f"{place}: slices out of order"
                report.add("error", "structure", owner, text, "slice-order")
        if slicing.rules == "openAtEnd":
            last = max((n for n, (name, _) in enumerate(met) if name is not None), default=-1)
            for name, item in met[:last]:
                if name is None:
                    text = "what is in no slice has to follow the slices"
                    report.add("error", "structure", item.path, text, "slice-order")

    def _content(self, item: Item, report: Report) -> None:
        """Check one repetition: its value, its children, its constraints."""
        faults = list(self._values(item))
        wrong_type = [fault for fault in faults if fault[3] == "type"]
        for severity, code, diagnostics, key in wrong_type or faults:
            report.add(severity, code, item.path, diagnostics, key)
        if wrong_type:
            return  # what is said of the right type says nothing about another
        if not item.primitive and not isinstance(item.value, dict):
            return
        for child in self._children:
            child.check(item, report)
        self._tools.constraints.check(
            self._rule.constraints, item, item.type, report, sound=True, scope=self._stating(item)
        )
        self._tools.profiled(self._rule, item, report)

    def _stating(self, item: Item) -> Scope:
        """The resource that the rule is stated in: for a resource inside another, the outer one."""
        outer = item.scope.parent
        inside = "." in self._rule.path and item.value is item.scope.resource
        return outer if inside and outer is not None else item.scope


class _Child:
    """A child rule with the properties it speaks of."""

    def __init__(self, rule: ElementRule, elements: list[Element] | None, tools: Tools) -> None:
        self._name = rule.name
        self._step = rule.name.removesuffix("[x]")
        self._elements = elements
        allowed = rule.type_codes
        kinds = {e.type for e in elements or () if not e.choice or not allowed or e.type in allowed}
        kind = kinds.pop() if len(kinds) == 1 else None
        self._rule = _Rule(rule, _facts(kind) if kind else None, tools)

    def check(self, item: Item, report: Report) -> None:
        elements = self._elements
        if elements is None:
            facts = item.facts()
            elements = elements_named(facts, self._name) if facts else []
        items = items_of(item, elements)
        self._rule.repetitions(items, f"{item.path}.{self._step}", report, item.path)


def _facts(kind: str) -> TypeFacts | None:
    """Facts of a type whose children are the same wherever it is met."""
    return None if kind == "Resource" else type_facts(kind)


def _of(part: ElementRule, facts: TypeFacts | None) -> TypeFacts | None:
    """Facts of a slice: of its own type where it names one, else of the element's."""
    codes = part.type_codes - {"BackboneElement", "Element"}
    if len(codes) == 1 and (facts is None or not facts.is_backbone):
        return _facts(next(iter(codes)))
    return facts
