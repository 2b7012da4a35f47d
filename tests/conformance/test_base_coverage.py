"""What is said to be unchecked is exactly what R4 4.0.1 states and the validator leaves out.

Source: element table and required value sets of the R4 4.0.1 definitions, in the reference data
beside the checkout.
"""

import json as reference
from typing import Any

from shared_data import shared

from service.fhir.definitions import Definitions
from service.fhir.structure import TypeFacts, type_facts
from service.fhir.validation import NOT_CHECKED, Validator
from service.fhir.validation.coverage import CHECKED

RECORD = [
    "Patient", "RelatedPerson", "Practitioner", "PractitionerRole", "Organization", "CareTeam",
    "Condition", "Goal", "CarePlan", "ServiceRequest", "DeviceRequest", "Device", "Observation",
    "MeasureReport", "Measure", "Consent", "Encounter", "Provenance", "AuditEvent", "Bundle",
    "Parameters", "OperationOutcome",
]  # fmt: skip
UNJUDGED = {"DataRequirement.type", "ParameterDefinition.type"}
"""Lists of all types, which are not among the codes known here."""


def published() -> dict[str, Any]:
    table: dict[str, Any] = reference.loads(
        shared("conformance/r4-structure.json").read_text("utf-8")
    )
    return table


def reached(types: dict[str, Any]) -> set[str]:
    """The record's types and every datatype they use."""
    found: set[str] = set()
    waiting = list(RECORD)
    while waiting:
        name = waiting.pop()
        if name in found or name not in types:
            continue
        found.add(name)
        for element in types[name]["elements"]:
            waiting.extend(kind["code"] for kind in element.get("types", []))
    return found


def test_every_constraint_is_checked_or_listed() -> None:
    types = published()["types"]
    stated = {
        key.partition("@")[0]
        for name in reached(types)
        for element in types[name]["elements"]
        for key in element.get("invariants", [])
    }
    assert stated == NOT_CHECKED.keys() | CHECKED
    assert not NOT_CHECKED.keys() & CHECKED


def test_each_broken_constraint_is_reported_exactly_if_it_is_not_listed() -> None:
    """One instance per constraint that breaks it (invariant probes of the reference data)."""
    validator = Validator(Definitions())
    probes = reference.loads(shared("conformance/invariant-probes/probes.json").read_text("utf-8"))
    reported = {
        key
        for probe in probes
        for key in [probe["key"].partition("@")[0]]
        if key in {f.key for f in validator.validate(probe["resource"])}
    }
    stated = {probe["key"].partition("@")[0] for probe in probes}
    assert reported == stated & CHECKED
    assert len(stated & NOT_CHECKED.keys()) > 40


def test_what_the_broken_ones_derive_from_is_accepted() -> None:
    validator = Validator(Definitions())
    valid = reference.loads(shared("conformance/invariant-probes/valid.json").read_text("utf-8"))
    refused = [
        finding
        for row in valid
        for finding in validator.validate(row.get("resource", row))
        if finding.severity == "error"
    ]
    assert refused == []


def test_required_codes_are_those_of_4_0_1() -> None:
    types = published()["types"]
    sets = reference.loads(shared("conformance/terminology/required.json").read_text("utf-8"))
    compared = 0
    for name in reached(types):
        for element in types[name]["elements"]:
            binding = element.get("binding", {})
            codes = sets.get(binding.get("valueSet", "").partition("|")[0])
            if binding.get("strength") != "required" or codes is None:
                continue
            if element["path"] not in UNJUDGED:
                assert known_codes(element["path"]) == {c["code"] for c in codes}, element["path"]
                compared += 1
    assert compared > 50


def known_codes(path: str) -> set[str] | None:
    owner, *steps = path.split(".")
    facts: TypeFacts | None = type_facts(owner)
    for step in steps[:-1]:
        assert facts is not None
        facts = type_facts(facts.elements[step].type)
    assert facts is not None
    element = facts.elements[steps[-1]]
    codes = element.concept.codes if element.concept else element.codes
    return set(codes) if codes is not None else None
