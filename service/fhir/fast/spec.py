"""What one generated function checks: a type, and everything said of it at one place."""

from dataclasses import dataclass, field, replace

from service.fhir.fast.facts import QUANTITIES, Part, TypeChoice
from service.fhir.fast.rules import Rule, UnsupportedError
from service.fhir.structure import Binding

CORE = "http://hl7.org/fhir/StructureDefinition/"
REPEATING = frozenset(
    [
        "Age", "CodeableConcept", "Coding", "Count", "Distance", "Duration", "Extension", "Money",
        "Quantity", "Range", "Ratio", "Timing",
    ]
)  # fmt: skip
"""Types whose values come again and again, so that it pays to remember those verified."""

CODED = QUANTITIES | {"CodeableConcept", "Coding"}
"""Complex types that are bound to value sets."""
BOUND_PRIMITIVES = frozenset({"code", "string", "uri"})


@dataclass(frozen=True, slots=True)
class Spec:
    """``path`` is where the value stands, a type name for a value anywhere.

    ``constraints`` and ``bindings`` come from the element that has the type, ``targets`` too.
    ``remembered``: the value is part of an object that is remembered as a whole. ``bare``: a
    Reference inside an Identifier, which may not hold an Identifier again.
    """

    type: str
    path: str
    targets: frozenset[str] | None = None
    simple: bool = False
    constraints: tuple[tuple[str, str], ...] = ()
    """Key and expression."""
    bindings: tuple[Binding, ...] = ()
    remembered: bool = False
    bare: bool = False
    rule: Rule | None = field(default=None, compare=False)
    rule_id: int = 0
    """Tells specs with different rules apart."""

    @property
    def contexts(self) -> tuple[str, ...]:
        """The places of extensions, as their definitions name them."""
        place = self.path.partition(":")[0] if "/" not in self.path else self.path
        return tuple(dict.fromkeys((place, self.type, "Element")))

    def with_rule(self, rule: Rule | None) -> "Spec":
        """The same under a rule of a profile."""
        if rule is None:
            return self
        constraints = tuple((c["key"], c["expression"]) for c in rule.constraints)
        return replace(
            self,
            rule=rule,
            rule_id=id(rule),
            constraints=self.constraints + constraints,
            bindings=self.bindings + (strict_binding(rule.binding) if self.type in CODED else ()),
        )


def strict_binding(binding: dict[str, str] | None) -> tuple[Binding, ...]:
    """A binding that may lead to an error or a warning, none of any other."""
    if binding is None or "valueSet" not in binding:
        return ()
    if binding["strength"] not in ("required", "extensible") and "max" not in binding:
        return ()
    return (Binding(binding["strength"], binding["valueSet"], binding.get("max")),)


def allowed(part: Part, rule: Rule | None) -> tuple[TypeChoice, ...]:
    """The types that are left of an element under a rule.

    Raises UnsupportedError for profiles on datatypes.
    """
    if rule is None or rule.types is None:
        return part.choices
    kept = []
    for row in rule.types:
        found = next((c for c in part.choices if c.type == row["code"]), None)
        if found is None:
            raise UnsupportedError(f"{row['code']} is no type of {part.name}")
        if row["code"] != "Extension" and row.get("profile"):
            raise UnsupportedError("a profile on a datatype")
        kept.append(replace(found, targets=_targets(row, found)))
    return tuple(kept)


def _targets(row: dict[str, object], found: TypeChoice) -> frozenset[str] | None:
    canonicals = row.get("targetProfile")
    if not isinstance(canonicals, list):
        return found.targets
    if not all(canonical.startswith(CORE) for canonical in canonicals):
        raise UnsupportedError("a profile on the target of a reference")
    names = frozenset(canonical.removeprefix(CORE) for canonical in canonicals)
    if "Resource" in names:
        return found.targets
    return names if found.targets is None else names & found.targets
