"""One ElementDefinition put onto the rule it speaks of."""

from collections.abc import Iterator
from typing import Any

from service.fhir.json import JsonObject
from service.fhir.r4 import errata, tables
from service.fhir.structure import Binding, Constraint
from service.fhir.validation.tree import ElementRule, Slicing, TypeRule

HL7 = "http://hl7.org/fhir/StructureDefinition/"
_FHIRPATH = "http://hl7.org/fhirpath/System."
_FHIR_TYPE = f"{HL7}structuredefinition-fhir-type"
_MIN_LENGTH = ("http://hl7.org/fhir/StructureDefinition/elementdefinition-minLength",
               "http://hl7.org/fhir/StructureDefinition/minLength")  # fmt: skip
_MAX_SET = f"{HL7}elementdefinition-maxValueSet"
_BEST_PRACTICE = f"{HL7}elementdefinition-bestpractice"
_R5 = "http://hl7.org/fhir/5.0/StructureDefinition/extension-ElementDefinition."
_ADDITIONAL = ("http://hl7.org/fhir/tools/StructureDefinition/additional-binding",
               f"{_R5}binding.additional")  # fmt: skip
_JUDGED = {"required": "required", "maximum": "required", "extensible": "extensible",
           "preferred": "preferred"}  # fmt: skip


def fill(rule: ElementRule, element: JsonObject) -> None:
    """Take over everything that ``element`` says, on top of what the rule has."""
    if "min" in element:
        rule.min = element["min"]
    if "max" in element:
        rule.max = None if element["max"] == "*" else int(element["max"])
    if "type" in element:
        rule.types = tuple(_type(entry) for entry in element["type"])
    for prefix, name in (("fixed", "fixed"), ("pattern", "pattern"),
                         ("minValue", "low"), ("maxValue", "high")):  # fmt: skip
        value = _typed(element, prefix)
        if value is not None:
            setattr(rule, name, value)
    if "maxLength" in element:
        rule.max_length = element["maxLength"]
    if "binding" in element:
        rule.bindings = tuple(_bindings(element["binding"]))
    rule.constraints = _merged(rule.constraints, element.get("constraint", []))
    if "slicing" in element:
        rule.slicing = _slicing(element["slicing"])
    _extended(rule, element)


def extension_values(element: JsonObject, *urls: str) -> list[Any]:
    """The values of an element's extensions of these URLs."""
    return [
        next((v for k, v in extension.items() if k.startswith("value")), extension)
        for extension in element.get("extension", [])
        if extension.get("url") in urls
    ]


def _extended(rule: ElementRule, element: JsonObject) -> None:
    for length in extension_values(element, *_MIN_LENGTH):
        rule.min_length = length
    if element.get("mustHaveValue") or True in extension_values(element, f"{_R5}mustHaveValue"):
        rule.must_have_value = True
    alternatives = element.get("valueAlternatives", []) + extension_values(
        element, f"{_R5}valueAlternatives"
    )
    if alternatives:
        rule.alternatives = tuple(alternatives)
    if "extension" in element:
        rule.extensions = (*rule.extensions, *element["extension"])


def _type(entry: JsonObject) -> TypeRule:
    code = next(iter(extension_values(entry, _FHIR_TYPE)), entry.get("code", ""))
    if code.startswith(_FHIRPATH):
        code = "string"
    return TypeRule(
        code.removeprefix(HL7),
        tuple(entry.get("profile", ())),
        tuple(entry.get("targetProfile", ())),
        tuple(entry.get("aggregation", ())),
    )


def _typed(element: JsonObject, prefix: str) -> Any:
    """The value of a property such as ``fixedCode``; None where there is none."""
    for name, value in element.items():
        if name.startswith(prefix) and name[len(prefix) : len(prefix) + 1].isupper():
            return value
    return None


def _bindings(binding: JsonObject) -> Iterator[Binding]:
    if "valueSet" in binding:
        maximum = next(iter(extension_values(binding, _MAX_SET)), None)
        yield Binding(binding["strength"], binding["valueSet"], maximum)
    for extension in binding.get("extension", []):
        if extension.get("url") in _ADDITIONAL:
            yield from _additional(extension)
    for row in binding.get("additional", []):
        if row.get("purpose") in _JUDGED and not row.get("usage"):
            yield Binding(_JUDGED[row["purpose"]], row["valueSet"])


def _additional(extension: JsonObject) -> Iterator[Binding]:
    parts = {
        part["url"]: next((v for k, v in part.items() if k.startswith("value")), None)
        for part in extension.get("extension", [])
    }
    purpose, value_set = parts.get("purpose"), parts.get("valueSet")
    if purpose in _JUDGED and isinstance(value_set, str) and "usage" not in parts:
        yield Binding(_JUDGED[purpose], value_set)


def _merged(known: tuple[Constraint, ...], stated: list[JsonObject]) -> tuple[Constraint, ...]:
    rows = {constraint.key: constraint for constraint in known}
    for row in stated:
        if "expression" in row and not _of_the_base(row):
            best = bool(row.get("bestPractice")) or True in extension_values(row, _BEST_PRACTICE)
            rows[row["key"]] = Constraint(
                row["key"], row["severity"], row["expression"], row.get("human", ""), best
            )
    return tuple(rows.values())


def _of_the_base(row: JsonObject) -> bool:
    """Whether a constraint only repeats one of the base standard, as snapshots do."""
    base = tables.invariants().get(row["key"])
    if base is None:
        return False
    same = errata.corrected(row["key"], row["expression"]) == base["expression"]
    return same or str(row.get("source", "")).startswith(HL7)


def _slicing(slicing: JsonObject) -> Slicing:
    told_by = tuple((d["type"], d["path"]) for d in slicing.get("discriminator", []))
    return Slicing(told_by, slicing.get("rules", "open"), slicing.get("ordered", False))
