"""Profiles on top of base R4: R4 elementdefinition.html, profiling.html; on invented ones."""

from concurrent.futures import ThreadPoolExecutor
from typing import Any

import pytest
from serious import serious

from service.fhir import json
from service.fhir.definitions import DefinitionError, Definitions
from service.fhir.outcome import Finding, has_errors
from service.fhir.validation import ProfileRule, Validator, profile_rules

HOME = "https://example.org/acw"
CODES = f"{HOME}/CodeSystem/part"
SESSION = f"{HOME}/StructureDefinition/session"


def element(identity: str, **facts: Any) -> dict[str, Any]:
    return {"id": identity, "path": identity} | facts


def definition(name: str, kind: str, *elements: dict[str, Any], **more: Any) -> dict[str, Any]:
    return {
        "resourceType": "StructureDefinition",
        "url": f"{HOME}/StructureDefinition/{name}",
        "version": "1.0.0",
        "type": kind,
        "baseDefinition": f"http://hl7.org/fhir/StructureDefinition/{kind}",
        "derivation": "constraint",
        "differential": {"element": list(elements)},
    } | more


def coded(code: str) -> dict[str, Any]:
    return {"coding": [{"system": CODES, "code": code}]}


def value_set(name: str, *codes: str) -> dict[str, Any]:
    include = {"system": CODES, "concept": [{"code": code} for code in codes]}
    url = f"{HOME}/ValueSet/{name}"
    return {"resourceType": "ValueSet", "url": url, "compose": {"include": [include]}}


REGIME = definition(
    "regime",
    "Extension",
    element("Extension.url", fixedUri=f"{HOME}/StructureDefinition/regime"),
    element(
        "Extension.value[x]",
        min=1,
        type=[{"code": "CodeableConcept"}],
        binding={"strength": "required", "valueSet": f"{HOME}/ValueSet/regime"},
    ),
)
DOSE = definition(
    "dose",
    "Extension",
    element("Extension.extension", min=1, slicing={
        "discriminator": [{"type": "value", "path": "url"}], "rules": "closed"}),
    element("Extension.extension:cycles", min=1, max="1"),
    element("Extension.extension:cycles.url", fixedUri="cycles"),
    element("Extension.extension:cycles.value[x]", min=1, type=[{"code": "positiveInt"}],
            maxValuePositiveInt=20),
    element("Extension.value[x]", max="0"),
)  # fmt: skip
PROFILE = definition(
    "session",
    "Observation",
    element("Observation", constraint=[{
        "key": "acw-1", "severity": "error", "human": "A session has a start or says why not.",
        "expression": "effective.exists() or dataAbsentReason.exists()"}]),
    element("Observation.extension:regime", max="1", type=[
        {"code": "Extension", "profile": [f"{HOME}/StructureDefinition/regime"]}]),
    element("Observation.code", patternCodeableConcept=coded("session")),
    element("Observation.status", fixedCode="final"),
    element("Observation.subject", min=1, type=[{"code": "Reference", "targetProfile": [
        "http://hl7.org/fhir/StructureDefinition/Patient"]}]),
    element("Observation.effective[x]", type=[{"code": "Period"}]),
    element("Observation.effective[x].start", min=1),
    element("Observation.method", binding={
        "strength": "extensible", "valueSet": f"{HOME}/ValueSet/regime"}),
    element("Observation.component", min=1, slicing={
        "discriminator": [{"type": "pattern", "path": "code"}], "rules": "open"}),
    element("Observation.component:outcome", min=1, max="1"),
    element("Observation.component:outcome.code", patternCodeableConcept=coded("outcome")),
    element("Observation.component:outcome.value[x]", min=1, type=[{"code": "CodeableConcept"}],
            binding={"strength": "required", "valueSet": f"{HOME}/ValueSet/outcome"}),
    element("Observation.component:minutes", max="1"),
    element("Observation.component:minutes.code", patternCodeableConcept=coded("minutes")),
    element("Observation.component:minutes.value[x]", type=[{"code": "Quantity"}],
            constraint=[{"key": "acw-2", "severity": "warning", "human": "Minutes are positive.",
                         "expression": "value > 0"}]),
)  # fmt: skip


def definitions(*more: dict[str, Any]) -> Definitions:
    known = Definitions()
    sets = value_set("regime", "well", "unwell"), value_set("outcome", "complete", "none")
    for resource in (*sets, REGIME, DOSE, PROFILE, *more):
        known.add(resource)
    return known


RULE = {"resourceType": "Observation", "path": "code.coding", "system": CODES, "code": "session",
        "profile": SESSION}  # fmt: skip
VALIDATOR = Validator(definitions(), profile_rules([RULE]), rest_references=True)


def session(**parts: Any) -> dict[str, Any]:
    good = {
        "resourceType": "Observation",
        "status": "final",
        "code": coded("session"),
        "subject": {"reference": "Patient/p1"},
        "effectivePeriod": {"start": "2031-03-09T07:05:00Z"},
        "component": [{"code": coded("outcome"), "valueCodeableConcept": coded("complete")}],
    }
    return {k: v for k, v in (good | parts).items() if v is not None}


def outcome(value: dict[str, Any] | None) -> dict[str, Any]:
    return {"code": coded("outcome")} | ({"valueCodeableConcept": value} if value else {})


def found(resource: Any, *profiles: str) -> list[Finding]:
    return serious(VALIDATOR.validate(resource, profiles))


def test_a_good_session_is_clean() -> None:
    assert found(session()) == []


MINUTES = coded("minutes")


@pytest.mark.parametrize(
    ("parts", "severity", "place", "key"),
    [
        ({"subject": None}, "error", "Observation", "cardinality-min"),
        ({"subject": {"reference": "Practitioner/d"}}, "error", "Observation.subject",
         "reference-target"),
        ({"status": "amended"}, "error", "Observation.status", "fixed"),
        ({"effectivePeriod": None}, "error", "Observation", "acw-1"),
        ({"effectivePeriod": {"end": "2031"}}, "error", "Observation.effective", "cardinality-min"),
        ({"effectivePeriod": None, "effectiveDateTime": "2031"}, "error", "Observation.effective",
         "type"),
        ({"method": coded("dancing")}, "warning", "Observation.method", "extensible-binding"),
        ({"component": [{"code": coded("other"), "valueInteger": 1}]}, "error", "Observation",
         "cardinality-min"),
        ({"component": [outcome(coded("complete")), outcome(coded("none"))]}, "error",
         "Observation.component[1]", "cardinality-max"),
        ({"component": [outcome(coded("half"))]}, "error", "Observation.component[0].value",
         "required-binding"),
        ({"component": [outcome({"text": "complete"})]}, "error", "Observation.component[0].value",
         "required-binding"),
        ({"component": [outcome(None)]}, "error", "Observation.component[0]", "cardinality-min"),
        ({"component": [outcome(coded("none")), {"code": MINUTES, "valueInteger": 4}]}, "error",
         "Observation.component[1].value", "type"),
        ({"component": [outcome(coded("none")), {"code": MINUTES, "valueQuantity": {"value": -1}}]},
         "warning", "Observation.component[1].value", "acw-2"),
        ({"component": [outcome(coded("none")), {"code": MINUTES,
          "valueQuantity": {"value": "x"}}]}, "warning", "Observation.component[1].value", "acw-2"),
    ],
)  # fmt: skip
def test_each_fault_is_found_at_its_place(
    parts: dict[str, Any], severity: str, place: str, key: str
) -> None:
    findings = [f for f in found(session(**parts)) if f.profile]
    assert (severity, place, key) in [(f.severity, f.expression, f.key) for f in findings]
    assert {f.profile for f in findings} == {f"{SESSION}|1.0.0"}


def test_one_fault_gives_one_finding() -> None:
    assert len(found(session(status="amended"))) == 1
    assert len(found(session(subject=None))) == 1


def test_found_and_expected_are_named() -> None:
    (finding,) = found(session(component=[outcome(coded("half"))]))
    expected = "expected a code of outcome: complete, none"
    assert finding.diagnostics == f'found "{CODES}|half", {expected}'


def extension(name: str, **parts: Any) -> dict[str, Any]:
    return {"url": f"{HOME}/StructureDefinition/{name}"} | parts


def test_a_required_binding_of_an_extension_names_the_right_repetition() -> None:
    other = extension("device-kind", valueCodeableConcept=coded("pep"))
    bare = extension("regime", valueCodeableConcept={"coding": [{"code": "unwell"}]})
    (finding,) = found(session(extension=[other, bare]))
    assert (finding.severity, finding.expression) == ("error", "Observation.extension[1].value")
    good = extension("regime", valueCodeableConcept=coded("unwell"))
    assert found(session(extension=[other, good])) == []
    assert [f.key for f in found(session(extension=[good, good]))] == ["cardinality-max"]


@pytest.mark.parametrize(
    ("parts", "place", "key"),
    [
        ({"extension": [{"url": "cycles", "valuePositiveInt": 5}]}, None, None),
        ({"extension": [{"url": "cycles", "valuePositiveInt": 21}]}, ".extension[0].value",
         "max-value"),
        ({"extension": [{"url": "cycles", "valueInteger": 5}]}, ".extension[0].value", "type"),
        ({"extension": [{"url": "turns", "valueInteger": 5}]}, ".extension[0]", "slice-closed"),
        ({"valueString": "five"}, ".value", "cardinality-max"),
    ],
)  # fmt: skip
def test_complex_extensions(parts: dict[str, Any], place: str | None, key: str | None) -> None:
    resource = {"resourceType": "Patient", "extension": [extension("dose", **parts)]}
    findings = [(f.expression, f.key) for f in found(resource)]
    if place is None:
        assert findings == []
    else:
        assert (f"Patient.extension[0]{place}", key) in findings


def test_claims_of_unknown_profiles_and_versions_are_warned_of() -> None:
    claims = [
        f"{SESSION}|2.0.0",
        "https://elsewhere.example/StructureDefinition/unheard-of",
        SESSION,
    ]
    resource = session(code={"text": "something else"}, meta={"profile": claims})
    findings = found(resource)
    assert [(f.severity, f.code, f.expression) for f in findings if f.key == "profile-unknown"] == [
        ("warning", "not-found", "Observation.meta.profile[0]"),
        ("warning", "not-found", "Observation.meta.profile[1]"),
    ]
    assert [f.key for f in findings if f.profile == f"{SESSION}|1.0.0"] == ["pattern"]


def test_an_asked_profile_that_is_unknown_is_an_error() -> None:
    (finding,) = found(session(), "https://elsewhere.example/StructureDefinition/unheard-of")
    assert (finding.severity, finding.code) == ("error", "not-found")
    assert has_errors(found({"resourceType": "Patient"}, SESSION))
    assert found(session(), "http://hl7.org/fhir/StructureDefinition/Observation") == []


def test_profiles_apply_by_rule_inside_a_bundle_too() -> None:
    entries = [
        {"fullUrl": f"https://example.org/Observation/{n}", "resource": resource}
        for n, resource in enumerate((session(), session(subject=None)))
    ]
    bundle = {"resourceType": "Bundle", "type": "collection", "entry": entries}
    (finding,) = found(bundle)
    assert finding.expression == "Bundle.entry[1].resource"


def test_without_rule_or_claim_a_profile_is_not_applied() -> None:
    assert serious(Validator(definitions()).validate(session(status="amended"))) == []


@pytest.mark.parametrize(
    ("rule", "resource", "applies"),
    [
        (RULE, session(), True),
        (RULE, session(code={"coding": [{"code": "session"}]}), False),
        (RULE, {"resourceType": "Goal"}, False),
        ({"resourceType": "Goal", "path": "identifier", "system": "urn:g", "profile": "p"},
         {"resourceType": "Goal", "identifier": [{"system": "urn:h"}, {"system": "urn:g"}]}, True),
        ({"resourceType": "MeasureReport", "path": "measure", "startsWith": "urn:m/",
          "profile": "p"}, {"resourceType": "MeasureReport", "measure": "urn:m/x"}, True),
    ],
)  # fmt: skip
def test_rules(rule: dict[str, Any], resource: dict[str, Any], applies: bool) -> None:
    assert ProfileRule.from_json(rule).applies(resource) is applies


def test_constraints_do_not_change_what_they_look_at() -> None:
    resource = session(component=[outcome(coded("none")),
                                  {"code": MINUTES, "valueQuantity": {"value": 5}}])  # fmt: skip
    before = json.write(resource)
    assert found(resource) == []
    assert json.write(resource) == before


def constrained(expression: str) -> dict[str, Any]:
    rule = {"key": "k", "severity": "error", "human": "One code.", "expression": expression}
    return definition("x", "Observation", element("Observation", constraint=[rule]))


@pytest.mark.parametrize(
    "broken",
    [
        definition("x", "Nonsense"),
        definition("x", "Observation", element("Observation.colour", min=1)),
        definition("x", "Observation", element("Patient.name", min=1)),
        definition("x", "Observation", baseDefinition="https://example.org/unknown"),
        constrained("a..b(("),
        constrained("code.nosuch()"),
        constrained("status.exists()) or true"),
        constrained("status = 'x"),
        definition("x", "Observation", element("Observation.component", slicing={
            "discriminator": [{"type": "profile", "path": "value"}], "rules": "open"}),
            element("Observation.component:a", min=1)),
    ],
)  # fmt: skip
def test_a_profile_that_cannot_be_applied_is_named_when_loaded(broken: dict[str, Any]) -> None:
    """It stops neither the others nor the service, but is never taken as met."""
    validator = Validator(definitions(broken))
    assert list(validator.refused) == [broken["url"]]
    (asked,) = serious(validator.validate(session(), [broken["url"]]))
    assert (asked.severity, asked.key) == ("error", "profile-unknown")
    claiming = session(meta={"profile": [broken["url"]]})
    assert [f.severity for f in serious(validator.validate(claiming))] == ["warning"]
    rule = ProfileRule("Observation", "code", broken["url"])
    with pytest.raises(DefinitionError, match="of a rule"):
        Validator(definitions(broken), [rule])


def test_a_required_set_that_is_not_known_is_said_not_to_be_checked() -> None:
    unknown = {"strength": "required", "valueSet": "https://example.org/unknown"}
    profile = definition("x", "Observation", element("Observation.method", binding=unknown))
    findings = Validator(definitions(profile)).validate(
        session(method=coded("complete")), [profile["url"]]
    )
    assert [(f.severity, f.expression) for f in findings if f.key == "binding-not-checked"] == [
        ("information", "Observation.method")
    ]


def test_a_profile_on_a_profile_checks_both() -> None:
    stricter = definition("strict", "Observation", element("Observation.issued", min=1),
                          baseDefinition=SESSION)  # fmt: skip
    validator = Validator(definitions(stricter))
    findings = serious(validator.validate(session(status="amended"), [stricter["url"]]))
    assert {f.key for f in findings} == {"fixed", "cardinality-min"}


@pytest.mark.parametrize("expression", ["1 + 'a' = 2", "{}", "method.coding.code", "false"])
def test_only_true_is_a_pass(expression: str) -> None:
    profile = constrained(expression)
    findings = serious(Validator(definitions(profile)).validate(session(), [profile["url"]]))
    assert [(f.severity, f.key) for f in findings] == [("error", "k")]


def test_an_evaluation_that_fails_says_so() -> None:
    profile = constrained("1 + 'a' = 2")
    (finding,) = serious(Validator(definitions(profile)).validate(session(), [profile["url"]]))
    assert "could not be evaluated" in finding.diagnostics


def test_threads_may_share_a_validator() -> None:
    resources = [session(effectivePeriod=None) if n % 2 else session() for n in range(40)]
    with ThreadPoolExecutor(4) as pool:
        keys = [[f.key for f in findings] for findings in pool.map(found, resources)]
    assert keys == [["acw-1"] if n % 2 else [] for n in range(40)]
