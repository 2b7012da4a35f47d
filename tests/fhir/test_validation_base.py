"""Base R4: what the walk over one resource finds, and where."""

from decimal import Decimal
from typing import Any

import pytest
from serious import serious

from service.fhir import json
from service.fhir.definitions import Definitions
from service.fhir.outcome import Finding, has_errors
from service.fhir.validation import Validator

VALIDATOR = Validator(Definitions())
INTERPRETATION = "http://terminology.hl7.org/CodeSystem/v3-ObservationInterpretation"


def session(**parts: Any) -> dict[str, Any]:
    return {"resourceType": "Observation", "status": "final", "code": {"text": "session"}} | parts


def found(resource: Any) -> list[Finding]:
    return serious(VALIDATOR.validate(resource))


def places(resource: Any) -> list[tuple[str, str, str | None]]:
    return [(f.severity, f.expression, f.key) for f in found(resource)]


@pytest.mark.parametrize(
    "text", ["2031-03-09", "2031-03-09T07:05:00+05:45", "2031-03-09T07:05:00.500Z"]
)
def test_partial_and_full_times_are_accepted(text: str) -> None:
    assert found(session(effectiveDateTime=text)) == []


@pytest.mark.parametrize(
    "text",
    ["2031-03-09T07:05:00", "2031-03-09T07:05Z", "2031-02-30", "2031-03-09T24:00:00Z",
     "2031-03-09T23:59:61Z"],
)  # fmt: skip
def test_bad_times_are_found_at_the_choice(text: str) -> None:
    assert places(session(effectiveDateTime=text)) == [
        ("error", "Observation.effective", "primitive")
    ]


def test_a_leap_second_is_accepted() -> None:
    leap = "2016-12-31T23:59:60Z"
    assert found(session(issued=leap, effectiveDateTime=leap)) == []


def test_two_types_of_one_choice() -> None:
    twice = session(valueQuantity={"value": 12}, valueString="twelve")
    assert places(twice) == [("error", "Observation.value", "choice")]
    extension = [{"url": "urn:u", "valueCode": "c"}]
    mixed = session(valueString="a", _valueBoolean={"extension": extension})
    assert places(mixed) == [("error", "Observation.value", "choice")]
    post = {"method": "POST", "url": "Observation"}
    bundle = {
        "resourceType": "Bundle",
        "type": "transaction",
        "entry": [{"resource": session(), "request": post}, {"resource": twice, "request": post}],
    }
    assert places(bundle) == [("error", "Bundle.entry[1].resource.value", "choice")]


@pytest.mark.parametrize("value", ["12", True, None, [1], {"a": 1}])
def test_a_decimal_is_a_number(value: object) -> None:
    resource = session(component=[{"code": {"text": "c"}, "valueQuantity": {"value": value}}])
    assert ("error", "Observation.component[0].value.value", "primitive") in places(resource)


@pytest.mark.parametrize("value", [Decimal("3.0"), Decimal("99999999999999999999"), 0])
def test_a_frequency_is_a_positive_whole_number(value: object) -> None:
    resource = {
        "resourceType": "ServiceRequest",
        "status": "active",
        "intent": "order",
        "subject": {"reference": "Patient/p"},
        "occurrenceTiming": {"repeat": {"frequency": value}},
    }
    assert places(resource) == [
        ("error", "ServiceRequest.occurrence.repeat.frequency", "primitive")
    ]


@pytest.mark.parametrize("value", ["true", 1])
def test_a_boolean_is_true_or_false(value: object) -> None:
    patient = {"resourceType": "Patient", "active": value}
    assert places(patient) == [("error", "Patient.active", "primitive")]


UCUM = "http://unitsofmeasure.org"


@pytest.mark.parametrize(
    ("quantity", "place", "key"),
    [
        ({"value": 15, "unit": "cmH2O", "system": UCUM, "code": "cm[H2O]"}, None, None),
        ({"value": 15, "unit": "cm[H2O]", "system": UCUM, "code": "cmH2O"}, ".code", "ucum"),
        ({"value": 20, "unit": "minutes", "system": UCUM, "code": "Min"}, ".code", "ucum"),
        ({"value": 2, "unit": "sessions a day", "system": UCUM, "code": "{session}/d"}, None, None),
        ({"value": 2, "code": "/d"}, "", "qty-3"),
        ({"value": 94, "unit": "%", "system": UCUM, "code": "%"}, None, None),
    ],
)
def test_units_live_in_the_code(quantity: dict[str, Any], place: str, key: str | None) -> None:
    expected = [] if key is None else [("error", f"Observation.value{place}", key)]
    assert places(session(valueQuantity=quantity)) == expected


def test_binding_strength_decides_the_severity() -> None:
    """Words, and codes of other systems, are what an extensible set allows where none fits."""
    local = {"system": "https://example.org/local", "code": "meh"}
    resource = session(
        status="done",
        category=[{"text": "home session"}, {"coding": [local]}],
        interpretation=[
            {"coding": [{"system": INTERPRETATION, "code": "meh"}]},
            {"coding": [local]},
            {"text": "so so"},
        ],
    )
    findings = VALIDATOR.validate(resource)
    assert {(f.severity, f.expression) for f in findings if f.code == "code-invalid"} == {
        ("error", "Observation.status"),
        ("warning", "Observation.interpretation[0]"),
        ("warning", "Observation.interpretation[0].coding[0]"),
        ("information", "Observation.interpretation[1]"),
        ("information", "Observation.category[1]"),
    }


def test_an_unknown_modifier_extension_is_a_warning_wherever_it_stands() -> None:
    modifier = [{"url": "https://elsewhere.example/left-undone", "valueBoolean": True}]
    plain = [{"url": "https://elsewhere.example/garden", "valueString": "roses"}]
    part = {"code": {"text": "c"}, "valueInteger": 1, "modifierExtension": modifier}
    resource = session(modifierExtension=modifier, extension=plain, component=[part])
    assert not has_errors(found(resource))
    assert places(resource) == [
        ("warning", "Observation.modifierExtension[0]", "unknown-modifier"),
        ("warning", "Observation.component[0].modifierExtension[0]", "unknown-modifier"),
    ]


@pytest.mark.parametrize(
    ("resource", "place", "key"),
    [
        ([], "", "type"),
        ({}, "", "type"),
        ({"resourceType": "Nonsense"}, "", "type"),
        ({"resourceType": ["Patient"]}, "", "type"),
        ({"resourceType": "Patient", "colour": 1}, "Patient.colour", "unknown-element"),
        ({"resourceType": "Patient", "_name": []}, "Patient._name", "unknown-element"),
        ({"resourceType": "Patient", "name": {}}, "Patient.name", "json-shape"),
        ({"resourceType": "Patient", "name": []}, "Patient.name", "ele-1"),
        ({"resourceType": "Patient", "name": [{}]}, "Patient.name[0]", "ele-1"),
        ({"resourceType": "Patient", "name": [{"id": "n"}]}, "Patient.name[0]", "ele-1"),
        ({"resourceType": "Patient", "name": [None]}, "Patient.name[0]", "json-shape"),
        ({"resourceType": "Patient", "gender": ["male"]}, "Patient.gender", "primitive"),
        ({"resourceType": "Patient", "gender": "girl"}, "Patient.gender", "required-binding"),
        ({"resourceType": "Patient", "id": "a" * 65}, "Patient.id", "primitive"),
        ({"resourceType": "Patient", "contained": [{"resourceType": "X"}]},
         "Patient.contained[0].resourceType", "type"),
        ({"resourceType": "Patient", "extension": [{"url": "urn:x"}]},
         "Patient.extension[0]", "ext-1"),
        ({"resourceType": "Patient", "extension": [{"valueString": "x"}]},
         "Patient.extension[0]", "cardinality-min"),
        ({"resourceType": "Goal", "lifecycleStatus": "active",
          "subject": {"reference": "Patient/p"}}, "Goal", "cardinality-min"),
        ({"resourceType": "Goal", "lifecycleStatus": "active", "description": {"text": "x"},
          "subject": {"reference": "Medication/m"}}, "Goal.subject", "reference-target"),
    ],
)  # fmt: skip
def test_faults_of_structure(resource: Any, place: str, key: str) -> None:
    assert (place, key) in [(f.expression, f.key) for f in found(resource)]


@pytest.mark.parametrize(
    ("given", "companions", "places_of_fault"),
    [
        (["A", None], [None, {"extension": [{"url": "urn:x", "valueString": "y"}]}], []),
        (["A"], [{"id": "n1", "extension": [{"url": "urn:x", "valueString": "y"}]}], []),
        (["A", None], [None, None], ["Patient.name[0].given[1]"]),
        ([None], None, ["Patient.name[0].given[0]"]),
        (["A", "B"], [None], ["Patient.name[0].given"]),
        (["A"], {"id": "x"}, ["Patient.name[0].given"]),
    ],
)
def test_arrays_of_primitives_and_their_companions(
    given: list[Any], companions: Any, places_of_fault: list[str]
) -> None:
    name = {"given": given} | ({} if companions is None else {"_given": companions})
    resource = {"resourceType": "Patient", "name": [name]}
    assert [f.expression for f in found(resource)] == places_of_fault


def test_a_required_element_may_be_absent_with_a_reason() -> None:
    url = "http://hl7.org/fhir/StructureDefinition/data-absent-reason"
    resource = session(_status={"extension": [{"url": url, "valueCode": "unknown"}]})
    del resource["status"]
    assert found(resource) == []


def test_names_of_people_are_never_repeated() -> None:
    resource = {"resourceType": "Patient", "name": [{"family": "Secret\x07", "given": "Secret"}]}
    findings = found(resource)
    assert len(findings) == 2
    assert not any("Secret\x07" in f.diagnostics for f in findings)


def test_nothing_is_changed_on_the_way() -> None:
    resource = session(valueQuantity={"value": Decimal("0.10")}, meta={"profile": ["urn:x"]})
    before = json.write(resource)
    found(resource)
    assert json.write(resource) == before
