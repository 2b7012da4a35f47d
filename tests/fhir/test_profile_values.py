"""What profiles say of single values: lengths, presence, bounds, bindings, narratives (R4)."""

from typing import Any

import pytest
from profile_builder import CODES, HL7, HOME, coded, element, judged, keys, profile
from serious import serious

from service.fhir.definitions import Definitions
from service.fhir.validation import Validator

PATIENT = {"resourceType": "Patient", "id": "p1"}
SHORT = f"{HL7}/elementdefinition-minLength"
R5 = "http://hl7.org/fhir/5.0/StructureDefinition/extension-ElementDefinition"
ABSENT = f"{HL7}/data-absent-reason"


def values(*codes: str, name: str = "v") -> dict[str, Any]:
    include = {"system": CODES, "concept": [{"code": code} for code in codes]}
    url = f"{HOME}/ValueSet/{name}"
    return {"resourceType": "ValueSet", "url": url, "compose": {"include": [include]}}


def on(path: str, **facts: Any) -> dict[str, Any]:
    return profile("p", path.partition(".")[0], element(path, **facts))


ABSENT_DATE = {"extension": [{"url": ABSENT, "valueCode": "unknown"}]}


@pytest.mark.parametrize(
    ("rule", "right", "wrong", "key"),
    [
        (on("Patient.birthDate", minValueDate="2020-06"), {"birthDate": "2020-06-01"},
         {"birthDate": "2020-05-31"}, "min-value"),
        (on("Patient.birthDate", maxValueDate="2020"), {"birthDate": "2020-12-31"},
         {"birthDate": "2021"}, "max-value"),
        (on("Patient.name.family", maxLength=3), {"name": [{"family": "Lee"}]},
         {"name": [{"family": "Leed"}]}, "max-length"),
        (on("Patient.name.family", extension=[{"url": SHORT, "valueInteger": 2}]),
         {"name": [{"family": "Li"}]}, {"name": [{"family": "L"}]}, "min-length"),
        (on("Patient.birthDate", extension=[{"url": f"{R5}.mustHaveValue", "valueBoolean": True}]),
         {"birthDate": "2020"}, {"_birthDate": ABSENT_DATE}, "must-have-value"),
        (on("Patient.maritalStatus", fixedCodeableConcept=coded("a")),
         {"maritalStatus": coded("a")}, {"maritalStatus": coded("a") | {"text": "a"}}, "fixed"),
        (on("Patient.maritalStatus", patternCodeableConcept=coded("a")),
         {"maritalStatus": coded("a") | {"text": "a"}}, {"maritalStatus": coded("b")}, "pattern"),
        (on("Patient.contact", max="1"), {"contact": [{"name": {"text": "a"}}]},
         {"contact": [{"name": {"text": "a"}}, {"name": {"text": "b"}}]}, "cardinality-max"),
    ],
)  # fmt: skip
def test_values(
    rule: dict[str, Any], right: dict[str, Any], wrong: dict[str, Any], key: str
) -> None:
    assert judged(PATIENT | right, rule) == []
    assert [finding.key for finding in judged(PATIENT | wrong, rule)] == [key]


def test_an_extension_may_stand_in_for_a_value() -> None:
    rule = on("Patient.birthDate", extension=[
        {"url": f"{R5}.valueAlternatives", "valueCanonical": ABSENT}])  # fmt: skip
    assert judged(PATIENT | {"_birthDate": ABSENT_DATE}, rule) == []
    other = {"extension": [{"url": "urn:other", "valueCode": "x"}]}
    assert keys(judged(PATIENT | {"_birthDate": other}, rule)) == [
        ("must-have-value", "Patient.birthDate")
    ]


@pytest.mark.parametrize(
    ("limit", "value", "key"),
    [
        (
            {"value": 1, "system": "http://unitsofmeasure.org", "code": "kg"},
            (999, "g"),
            "min-value",
        ),
        ({"value": 1, "system": "http://unitsofmeasure.org", "code": "kg"}, (1000, "g"), None),
        ({"value": 1, "system": "http://unitsofmeasure.org", "code": "kg"}, (1, "min"), None),
    ],
)
def test_quantities_are_compared_in_one_unit(
    limit: dict[str, Any], value: tuple[int, str], key: str | None
) -> None:
    rule = profile("p", "Observation",
                   element("Observation.value[x]", type=[{"code": "Quantity"}]),
                   {"path": "Observation.valueQuantity", "minValueQuantity": limit})  # fmt: skip
    quantity = {"value": value[0], "system": limit["system"], "code": value[1]}
    resource = {"resourceType": "Observation", "status": "final", "code": {"text": "c"},
                "valueQuantity": quantity}  # fmt: skip
    assert [finding.key for finding in judged(resource, rule)] == ([key] if key else [])


@pytest.mark.parametrize(
    ("strength", "severity"),
    [("required", "error"), ("extensible", "warning"), ("preferred", None), ("example", None)],
)
def test_a_binding_by_its_strength(strength: str, severity: str | None) -> None:
    bound = {"strength": strength, "valueSet": f"{HOME}/ValueSet/v"}
    rule = on("Patient.maritalStatus", binding=bound)
    findings = judged(PATIENT | {"maritalStatus": coded("b")}, rule, values("a"))
    assert [finding.severity for finding in findings] == ([severity] if severity else [])
    assert judged(PATIENT | {"maritalStatus": coded("a")}, rule, values("a")) == []


def test_a_binding_has_a_widest_set_and_further_sets() -> None:
    widest = {"url": f"{HL7}/elementdefinition-maxValueSet",
              "valueCanonical": f"{HOME}/ValueSet/wide"}  # fmt: skip
    further = {"purpose": "required", "valueSet": f"{HOME}/ValueSet/wide"}
    for more in ({"extension": [widest]}, {"additional": [further]}):
        bound = {"strength": "preferred", "valueSet": f"{HOME}/ValueSet/v"} | more
        rule = on("Patient.maritalStatus", binding=bound)
        sets = values("a"), values("a", "b", name="wide")
        assert judged(PATIENT | {"maritalStatus": coded("b")}, rule, *sets) == []
        findings = judged(PATIENT | {"maritalStatus": coded("c")}, rule, *sets)
        assert [finding.key for finding in findings] == ["required-binding"]


NARRATIVE = '<div xmlns="http://www.w3.org/1999/xhtml">{}</div>'


@pytest.mark.parametrize(
    ("control", "value", "text", "key"),
    [
        ("language", "_no", '<div lang="de">x</div>', "narrative-language"),
        ("language", "_no", "<p>x</p>", None),
        ("language", "_yes", "<p>x</p>", "narrative-language"),
        ("language", "fr", '<div lang="fr">x</div>', None),
        ("source", "x", '<p class="generated">x</p>', None),
        ("source", "x", "<p>x</p>", "narrative-source"),
    ],
)
def test_narratives(control: str, value: str, text: str, key: str | None) -> None:
    url = f"{HL7}/narrative-{control}-control"
    rule = on("Patient.text", extension=[{"url": url, "valueCode": value}])
    narrative = {"status": "generated", "div": NARRATIVE.format(text)}
    findings = judged(PATIENT | {"text": narrative}, rule)
    assert [finding.key for finding in findings] == ([key] if key else [])


def test_many_contained_resources_are_judged_alike_and_quickly() -> None:
    def holder(count: int, named: int) -> dict[str, Any]:
        contained = [{"resourceType": "Practitioner", "id": f"c{n}", "active": True}
                     for n in range(count)]  # fmt: skip
        references = [{"reference": f"#c{n}"} for n in range(named)]
        return {"resourceType": "Patient", "contained": contained,
                "generalPractitioner": references}  # fmt: skip

    validator = Validator(Definitions())
    for count in (3, 2_000):
        assert serious(validator.validate(holder(count, count))) == []
        assert keys(serious(validator.validate(holder(count, count - 1)))) == [("dom-3", "Patient")]
        beyond = serious(validator.validate(holder(count, count + 1)))
        assert keys(beyond) == [("ref-1", f"Patient.generalPractitioner[{count}]")]
