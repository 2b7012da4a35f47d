"""One profile, compiled once from its differential and applied many times on top of the base."""

from collections.abc import Iterable
from dataclasses import dataclass, field

from service.fhir.definitions import DefinitionError, Definitions
from service.fhir.json import JsonObject
from service.fhir.outcome import Finding, Severity
from service.fhir.structure import Element, TypeFacts, type_facts
from service.fhir.validation.constraints import compiled, fault_of
from service.fhir.validation.items import Item, elements_named, items_of
from service.fhir.validation.slices import CompiledSlicing, compile_slicing
from service.fhir.validation.tree import Constraint, ElementRule, element_tree
from service.fhir.validation.values import ValueCheck, compile_values

_HL7_BASE = "http://hl7.org/fhir/StructureDefinition/"


@dataclass(slots=True)
class _Report:
    """Where findings of one profile on one resource go."""

    profile: str
    resource: JsonObject
    findings: list[Finding] = field(default_factory=list)

    def add(self, severity: Severity, code: str, path: str, diagnostics: str, key: str) -> None:
        self.findings.append(Finding(severity, code, path, diagnostics, key, self.profile))


class ProfileCheck:
    """The checks of one StructureDefinition, its own profile bases included."""

    def __init__(self, profile: JsonObject, definitions: Definitions) -> None:
        """Compile. Raises DefinitionError for what cannot be applied or is not loaded."""
        version = profile.get("version")
        self.canonical = profile["url"] + (f"|{version}" if version else "")
        self.type: str = profile["type"]
        facts = type_facts(self.type)
        if facts is None:
            raise DefinitionError(f"{self.canonical} is of unknown type {self.type}")
        self._rules = [
            _Rule(element_tree(p), facts, definitions) for p in _lineage(profile, definitions)
        ]

    def findings(self, value: JsonObject, path: str, resource: JsonObject) -> list[Finding]:
        """What is wrong with ``value`` (a resource or datatype) standing at ``path``."""
        report = _Report(self.canonical, resource)
        item = Item(value, None, path, self.type, primitive=False)
        for rule in self._rules:
            rule.content(item, report)
        return report.findings


def _lineage(profile: JsonObject, definitions: Definitions) -> Iterable[JsonObject]:
    seen: list[JsonObject] = []
    current = profile
    while True:
        if any(current is earlier for earlier in seen):
            raise DefinitionError(f"{profile['url']} is its own base")
        seen.append(current)
        base = current["baseDefinition"]
        if base.startswith(_HL7_BASE) and type_facts(base.removeprefix(_HL7_BASE)):
            return seen
        found = definitions.find(base)
        if found is None:
            raise DefinitionError(f"{current['url']}: its base {base} is not loaded")
        current = found


class _Rule:
    """The compiled rule of one element or slice."""

    def __init__(
        self, rule: ElementRule, facts: TypeFacts | None, definitions: Definitions
    ) -> None:
        self._rule = rule
        self._values: ValueCheck = compile_values(rule, definitions)
        self._slicing: CompiledSlicing | None = compile_slicing(rule, definitions)
        self._slices = {n: _Rule(part, facts, definitions) for n, part in rule.slices.items()}
        self._children = [
            _Child(child, self._elements(child, facts), definitions)
            for child in rule.children.values()
        ]
        for constraint in rule.constraints:
            compiled(constraint.expression)

    def _elements(self, child: ElementRule, facts: TypeFacts | None) -> list[Element] | None:
        """The properties a child may be; None where they depend on the type met."""
        if facts is None:
            return None
        elements = elements_named(facts, child.name)
        if not elements:
            raise DefinitionError(f"{child.path}: {facts.name} has no {child.name}")
        return elements

    def amount(
        self, items: list[Item], place: str, report: _Report, owner: str, name: str = ""
    ) -> None:
        """Check how many repetitions there are."""
        count, low, high = len(items), self._rule.min, self._rule.max
        said = f"{place}:{name}" if name else place
        if count < low:
            found = (
                f"found {count}, expected at least {low}" if count or low > 1 else "it is missing"
            )
            report.add("error", "required", owner, f"{said}: {found}", "cardinality-min")
        if high is not None and count > high:
            report.add(
                "error",
                "structure",
                items[high].path,
                f"{said}: found {count}, expected at most {high}",
                "cardinality-max",
            )

    def repetitions(self, items: list[Item], place: str, report: _Report, owner: str) -> None:
        """Check all repetitions of the element, and of each slice."""
        self.amount(items, place, report, owner)
        for item in items:
            self.content(item, report)
        if self._slicing is not None:
            self._sliced(items, self._slicing, place, report, owner)

    def _sliced(
        self, items: list[Item], slicing: CompiledSlicing, place: str, report: _Report, owner: str
    ) -> None:
        members: dict[str, list[Item]] = {name: [] for name in self._slices}
        met: list[str] = []
        for item in items:
            name = slicing.slice_of(item)
            if name is not None:
                members[name].append(item)
                met.append(name)
            elif slicing.rules == "closed":
                report.add(
                    "error",
                    "structure",
                    item.path,
                    "it is none of the slices allowed",
                    "slice-closed",
                )
        for name, rule in self._slices.items():
            rule.amount(members[name], place, report, owner, name)
            for item in members[name]:
                rule.content(item, report)
        order = [name for name in self._slices if name in met]
        if slicing.ordered and sorted(met, key=order.index) != met:
            report.add("error", "structure", owner, f"{place}: slices out of order", "slice-order")

    def content(self, item: Item, report: _Report) -> None:
        """Check one repetition: its value, its children, its constraints."""
        faults = list(self._values(item))
        wrong_type = [fault for fault in faults if fault[3] == "type"]
        for severity, code, diagnostics, key in wrong_type or faults:
            report.add(severity, code, item.path, diagnostics, key)
        if wrong_type:
            return  # what is said of the right type says nothing about another
        holder = item.content()
        for child in self._children:
            child.check(holder, item, report)
        for constraint in self._rule.constraints:
            self._constraint(constraint, item, report)

    def _constraint(self, constraint: Constraint, item: Item, report: _Report) -> None:
        facts = type_facts(item.type)
        named = facts is None or not facts.is_backbone
        type_path = item.type if named else self._rule.path.replace("[x]", "")
        fault = fault_of(constraint.expression, item, type_path, report.resource)
        if fault is not None:
            severity: Severity = "warning" if constraint.severity == "warning" else "error"
            report.add(
                severity,
                "invariant",
                item.path,
                f"{constraint.human} Here {fault}.",
                constraint.key,
            )


class _Child:
    """A child rule with the properties it speaks of."""

    def __init__(
        self, rule: ElementRule, elements: list[Element] | None, definitions: Definitions
    ) -> None:
        self._name = rule.name
        self._step = rule.name.removesuffix("[x]")
        self._elements = elements
        kinds = {e.type for e in elements or () if not rule.types or e.type in rule.types}
        facts = type_facts(kinds.pop()) if len(kinds) == 1 else None
        self._rule = _Rule(rule, facts, definitions)

    def check(self, holder: JsonObject, item: Item, report: _Report) -> None:
        elements = self._elements
        if elements is None:
            facts = type_facts("Element" if item.primitive else item.type)
            elements = elements_named(facts, self._name) if facts else []
        items = items_of(holder, elements, item.path)
        self._rule.repetitions(items, f"{item.path}.{self._step}", report, item.path)
