"""What compiled rules share: definitions, snapshots, constraints, and the profiles they name."""

from service.fhir.definitions import Definitions
from service.fhir.outcome import Severity, shown
from service.fhir.structure import specialises, type_facts
from service.fhir.validation.constraints import Constraints
from service.fhir.validation.facets import HL7
from service.fhir.validation.items import Item
from service.fhir.validation.references import literal, resolved, stated_type
from service.fhir.validation.report import Report
from service.fhir.validation.rule_paths import RulePaths
from service.fhir.validation.slices import Conforming, SliceCompiler
from service.fhir.validation.snapshot import Snapshots
from service.fhir.validation.tree import ElementRule, TypeRule


class Tools:
    """Shared by all rules of one validator. ``conforming`` asks the other profiles.

    ``rest`` takes ``Patient/1`` for the address of a Patient, so that its type counts though it is
    not in the document.
    """

    def __init__(self, definitions: Definitions, conforming: Conforming, *, rest: bool) -> None:
        self.definitions = definitions
        self._rest = rest
        self.snapshots = Snapshots(definitions)
        self.constraints = Constraints(definitions)
        self.constraints.conforms = conforming
        self._paths = RulePaths(definitions, self.snapshots)
        self._conforming = conforming
        self.slices = SliceCompiler(definitions, self._paths, conforming)

    def profiled(self, rule: ElementRule, item: Item, report: Report) -> None:
        """Check the profiles that a rule names for an item's type, and for what it refers to."""
        for kind in rule.types:
            if kind.profiles and specialises(item.type, kind.code) and item.type != "Extension":
                self._meets_one(kind.profiles, item, report)
            elif kind.code == "Reference" and item.type == "Reference":
                self._reference(kind, item, report)

    def _meets_one(self, profiles: tuple[str, ...], item: Item, report: Report) -> None:
        answers = [self._conforming(item, canonical) for canonical in profiles]
        if any(answer is not False for answer in answers):
            return
        names = " or ".join(_short(canonical) for canonical in profiles)
        text = f"it does not meet the profile {names}"
        report.add("error", "structure", item.path, text, "profile-match")

    def _reference(self, kind: TypeRule, item: Item, report: Report) -> None:
        if not isinstance(item.value, dict):
            return
        if kind.aggregation:
            self._aggregated(kind.aggregation, item, report)
        if kind.targets:
            self._target(kind.targets, item, report)

    def _target(self, targets: tuple[str, ...], item: Item, report: Report) -> None:
        types = {canonical: self._paths.target_type(canonical) for canonical in targets}
        if "Resource" in types.values() or None in types.values():
            return
        found = resolved(item.value, item.scope)
        met = found.type if found is not None else stated_type(item.value)
        fitting = [c for c, name in types.items() if met and name and specialises(met, name)]
        if met is not None and not fitting:
            expected = " or ".join(sorted({name for name in types.values() if name}))
            text = f"found a reference to {shown(met).strip(chr(34))}, expected {expected}"
            severity: Severity = "error" if found is not None or self._rest else "warning"
            report.add(severity, "value", item.path, text, "reference-target")
        elif found is not None and all(type_facts(c.removeprefix(HL7)) is None for c in fitting):
            target = Item.of_resource(found)
            if not any(self._conforming(target, canonical) is not False for canonical in fitting):
                names = " or ".join(_short(canonical) for canonical in fitting)
                text = f"what it refers to does not meet the profile {names}"
                report.add("error", "structure", item.path, text, "reference-target")

    def _aggregated(self, allowed: tuple[str, ...], item: Item, report: Report) -> None:
        text = literal(item.value)
        if text is None:
            return
        found = resolved(item.value, item.scope)
        how = "contained" if text.startswith("#") else "bundled" if found else "referenced"
        if how not in allowed and not (how == "bundled" and "referenced" in allowed):
            said = f"found a {how} resource, expected a {' or '.join(allowed)} one"
            report.add("error", "value", item.path, said, "reference-aggregation")


def _short(canonical: str) -> str:
    return canonical.removeprefix(HL7)
