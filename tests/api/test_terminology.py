"""$lookup, $validate-code, $expand and $translate over HTTP (R4 OperationDefinitions, 4.0.1)."""

from typing import Any
from urllib.parse import urlencode

import pytest
from api_client import Client, issues, places, resource
from fhir.resources.R4B import get_fhir_model_class
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from serious import serious
from terminologies import value, values

from service.api.services import Services

BASE = "https://airway-programmes.example/fhir"
TECHNIQUE = f"{BASE}/CodeSystem/airway-technique"
TECHNIQUES = f"{BASE}/ValueSet/airway-technique"
BROADER = f"{BASE}/ValueSet/airway-broader-procedure"
GENDER = "http://hl7.org/fhir/administrative-gender"
SNOMED = "http://snomed.info/sct"
MAP = f"{BASE}/ConceptMap/technique-to-snomed"
_KINDS = {"coding": "valueCoding", "codeableConcept": "valueCodeableConcept"}

IN_R4 = {
    "CodeSystem/$lookup": "code system version coding date displayLanguage property",
    "CodeSystem/$validate-code": "url codeSystem code version display coding codeableConcept date"
    " abstract displayLanguage",
    "ValueSet/$expand": "url valueSet valueSetVersion context contextDirection filter date offset"
    " count includeDesignations designation includeDefinition activeOnly excludeNested"
    " excludeNotForUI excludePostCoordinated displayLanguage exclude-system system-version"
    " check-system-version force-system-version",
    "ValueSet/$validate-code": "url context valueSet valueSetVersion code system systemVersion"
    " display coding codeableConcept date abstract displayLanguage",
    "ConceptMap/$translate": "url conceptMap conceptMapVersion code system version source coding"
    " codeableConcept target targetsystem dependency reverse",
}
"""Names of the input parameters in the package hl7.fhir.r4.core 4.0.1."""


def body(**given: Any) -> dict[str, Any]:
    parts = []
    for name, given_value in given.items():
        kind = _KINDS.get(name, "valueString")
        kind = "valueBoolean" if isinstance(given_value, bool) else kind
        kind = "valueInteger" if type(given_value) is int else kind
        parts.append({"name": name, kind: given_value})
    return {"resourceType": "Parameters", "parameter": parts}


def ask(client: Client, operation: str, **given: Any) -> Any:
    """The answer to a POST, which must be 200 and well formed."""
    answer = client.post(f"/fhir/{operation}", body(**given))
    assert answer.status_code == 200, answer.text
    return resource(answer)


def get(client: Client, operation: str, **given: str) -> Any:
    answer = client.request("GET", f"/fhir/{operation}", params=given)
    assert answer.status_code == 200, answer.text
    return resource(answer)


def test_a_code_is_looked_up_by_get_and_by_post(client: Client) -> None:
    by_get = get(client, "CodeSystem/$lookup", system=TECHNIQUE, code="pep")
    by_code = ask(client, "CodeSystem/$lookup", system=TECHNIQUE, code="pep")
    by_coding = ask(
        client,
        "CodeSystem/$lookup",
        coding={"system": TECHNIQUE, "code": "pep", "version": "0.1.0"},
    )
    assert by_get == by_code == by_coding
    assert value(by_get, "display") == "Positive expiratory pressure"
    asked = get(client, "CodeSystem/$lookup", system=TECHNIQUE, code="pep", property="parent")
    assert values(asked, "property") == []


@pytest.mark.parametrize(
    ("given", "result"),
    [
        ({"url": TECHNIQUE, "code": "pep"}, True),
        ({"url": f"{TECHNIQUE}|0.1.0", "code": "pep", "version": "0.1.0"}, True),
        ({"url": TECHNIQUE, "code": "pep", "display": "positive expiratory pressure"}, True),
        ({"url": TECHNIQUE, "code": "pep", "display": "Huff"}, False),
        ({"url": TECHNIQUE, "code": "yoga"}, False),
        ({"coding": {"system": TECHNIQUE, "code": "pep"}}, True),
        ({"url": GENDER, "coding": {"system": TECHNIQUE, "code": "pep"}}, False),
        ({"url": GENDER, "code": "female"}, True),
        ({"url": GENDER, "code": "Female"}, False),
        (
            {"url": GENDER, "codeableConcept": {"coding": [{"system": GENDER, "code": "male"}]}},
            True,
        ),
        ({"url": GENDER, "codeableConcept": {"text": "male"}}, False),
        ({"url": "http://unitsofmeasure.org", "code": "cm[H2O]"}, True),
        ({"url": "http://unitsofmeasure.org", "code": "cmH2O"}, False),
    ],
)
def test_a_code_is_validated_in_its_system(
    client: Client, given: dict[str, Any], result: bool
) -> None:
    answer = ask(client, "CodeSystem/$validate-code", **given)
    assert value(answer, "result") is result
    assert result or value(answer, "message")


@pytest.mark.parametrize(
    ("given", "result"),
    [
        ({"url": TECHNIQUES, "system": TECHNIQUE, "code": "acbt"}, True),
        ({"url": TECHNIQUES, "system": TECHNIQUE, "code": "yoga"}, False),
        ({"url": TECHNIQUES, "system": GENDER, "code": "male"}, False),
        ({"url": BROADER, "coding": {"system": SNOMED, "code": "34431008"}}, True),
        ({"url": BROADER, "coding": {"system": SNOMED, "code": "12345006"}}, False),
        ({"url": "http://hl7.org/fhir/ValueSet/goal-status", "system": GENDER, "code": "male"},
         False),
    ],
)  # fmt: skip
def test_a_code_is_validated_in_a_value_set(
    client: Client, given: dict[str, Any], result: bool
) -> None:
    answer = ask(client, "ValueSet/$validate-code", **given)
    assert value(answer, "result") is result


def test_each_operation_at_the_address_of_one_resource(client: Client) -> None:
    answer = get(client, "CodeSystem/airway-technique/$validate-code", code="pep")
    assert value(answer, "result") is True
    listed = ask(client, "ValueSet/airway-technique/$expand", count=0)
    assert listed["expansion"]["total"] == 11
    one = {"system": TECHNIQUE, "code": "pep"}
    answer = ask(client, "ValueSet/airway-technique/$validate-code", coding=one)
    assert value(answer, "display") == "Positive expiratory pressure"
    answer = ask(client, "ConceptMap/technique-to-snomed/$translate", coding=one)
    assert value(answer, "result") is True
    assert client.get("/fhir/ValueSet/none/$expand").status_code == 404
    refused = client.get(f"/fhir/ValueSet/airway-technique/$expand?url={TECHNIQUES}")
    assert (refused.status_code, places(refused)) == (400, ["http.url"])
    assert client.get("/fhir/CodeSystem/airway-technique/$lookup?code=pep").status_code == 404


def test_a_value_set_is_expanded_in_part(client: Client) -> None:
    listed = get(
        client, "ValueSet/$expand", url=TECHNIQUES, filter="pressure", offset="1", count="1"
    )
    expansion = listed["expansion"]
    assert (expansion["total"], expansion["offset"]) == (3, 1)
    assert [row["code"] for row in expansion["contains"]] == ["opep"]
    posted = ask(client, "ValueSet/$expand", url=TECHNIQUES, filter="pressure", offset=1, count=1)
    assert posted == listed


def test_a_code_is_translated_in_both_directions(client: Client) -> None:
    there = get(client, "ConceptMap/$translate", url=MAP, system=TECHNIQUE, code="exercise")
    assert value(there, "result") is True
    assert value(there, "match")["concept"]["code"] == "226029000"
    back = ask(
        client,
        "ConceptMap/$translate",
        codeableConcept={"coding": [{"system": SNOMED, "code": "226029000"}]},
        reverse=True,
    )
    assert [one["concept"]["code"] for one in values(back, "match")] == ["exercise"]
    nowhere = get(client, "ConceptMap/$translate", url=MAP, system=TECHNIQUE, code="yoga")
    assert value(nowhere, "result") is False
    elsewhere = {"system": TECHNIQUE, "code": "pep", "targetsystem": GENDER}
    assert value(get(client, "ConceptMap/$translate", **elsewhere), "result") is False


@pytest.mark.parametrize(
    ("operation", "given"),
    [
        ("CodeSystem/$lookup", {"system": SNOMED, "code": "34431008"}),
        ("CodeSystem/$lookup", {"system": "http://loinc.org", "code": "59408-5"}),
        ("CodeSystem/$validate-code", {"url": SNOMED, "code": "34431008"}),
        ("CodeSystem/$validate-code",
         {"url": TECHNIQUE, "coding": {"system": TECHNIQUE, "code": "pep", "version": "9"}}),
        ("ValueSet/$validate-code",
         {"url": "http://hl7.org/fhir/ValueSet/clinical-findings", "system": SNOMED, "code": "1"}),
        ("ValueSet/$validate-code",
         {"url": "http://hl7.org/fhir/ValueSet/all-languages", "system": "urn:ietf:bcp:47",
          "code": "mi"}),
        ("ValueSet/$expand", {"url": "http://hl7.org/fhir/ValueSet/all-languages"}),
    ],
)  # fmt: skip
def test_what_cannot_be_judged_is_said_so_and_is_neither_right_nor_wrong(
    client: Client, operation: str, given: dict[str, Any]
) -> None:
    answer = client.post(f"/fhir/{operation}", body(**given))
    (issue,) = issues(answer)
    assert answer.status_code == 422
    assert (issue["severity"], issue["code"]) == ("information", "not-supported")


@pytest.mark.parametrize(
    ("path", "status", "code"),
    [
        ("CodeSystem/$lookup?system=https://example.org/none&code=x", 404, "not-found"),
        (f"CodeSystem/$lookup?system={TECHNIQUE}&code=yoga", 404, "not-found"),
        (f"CodeSystem/$lookup?system={TECHNIQUE}&code=pep&version=9", 404, "not-found"),
        ("CodeSystem/$validate-code?url=https://example.org/none&code=x", 404, "not-found"),
        ("ValueSet/$expand?url=https://example.org/none", 404, "not-found"),
        (f"ValueSet/$expand?url={TECHNIQUES}&valueSetVersion=9", 404, "not-found"),
        ("ConceptMap/$translate?url=https://example.org/none&system=x&code=y", 404, "not-found"),
        ("ConceptMap/$translate?system=x&code=y&target=https://example.org/none", 404, "not-found"),
        (f"CodeSystem/$lookup?system={TECHNIQUE}", 400, "required"),
        ("CodeSystem/$lookup?code=pep", 400, "required"),
        ("CodeSystem/$lookup?coding=x", 400, "value"),
        (f"CodeSystem/$lookup?system={TECHNIQUE}&code=pep&code=huff", 400, "invalid"),
        ("CodeSystem/$validate-code?code=pep", 400, "required"),
        ("ValueSet/$validate-code?system=x&code=y", 400, "required"),
        (f"ValueSet/$validate-code?url={TECHNIQUES}&code=pep", 400, "required"),
        ("ValueSet/$expand", 400, "required"),
        (f"ValueSet/$expand?url={TECHNIQUES}&count=-1", 400, "value"),
        (f"ValueSet/$expand?url={TECHNIQUES}&offset=1.5", 400, "value"),
        (f"ValueSet/$expand?url={TECHNIQUES}&excludeNested=yes", 400, "value"),
        (f"ValueSet/$expand?url={TECHNIQUES}&filter=", 400, "value"),
        (f"ValueSet/$expand?url={TECHNIQUES}|0.1.0&valueSetVersion=9", 400, "invalid"),
        (f"ValueSet/$expand?url={TECHNIQUES}&guess=1", 400, "not-supported"),
        (f"ValueSet/$expand?url={TECHNIQUES}&activeOnly=true", 422, "not-supported"),
    ],
)
def test_a_question_that_has_no_answer(client: Client, path: str, status: int, code: str) -> None:
    answer = client.get(f"/fhir/{path}")
    (issue,) = issues(answer)
    assert (answer.status_code, issue["severity"], issue["code"]) == (status, "error", code)


@pytest.mark.parametrize(
    ("sent", "place"),
    [
        ("{", ""),
        ({"resourceType": "ValueSet", "status": "active"}, "resourceType"),
        ({"resourceType": "Parameters", "parameter": [{"valueCode": "pep"}]},
         "Parameters.parameter[0]"),
        ({"resourceType": "Parameters", "parameter": [{"name": "coding", "valueCode": "pep"}]},
         "Parameters.parameter[0]"),
        ({"resourceType": "Parameters",
          "parameter": [{"name": "coding", "valueCoding": {"code": 1}}]},
         "Parameters.parameter[0].value.code"),
        (body(coding={"code": "pep"}), "Coding.system"),
        (body(coding={"system": TECHNIQUE, "code": "pep"}, guess="x"), "Parameters.parameter[1]"),
        (body(coding={"system": TECHNIQUE, "code": "pep"}, system="x"), "http.system"),
    ],
)  # fmt: skip
def test_a_body_that_makes_no_sense(client: Client, sent: Any, place: str) -> None:
    answer = client.post("/fhir/CodeSystem/$lookup", sent)
    assert answer.status_code == 400
    assert places(answer) == [place]


@pytest.mark.parametrize("operation", IN_R4)
def test_every_parameter_of_r4_is_served_or_refused_by_name(client: Client, operation: str) -> None:
    for name in IN_R4[operation].split():
        answer = client.get(f"/fhir/{operation}?{name}=1")
        (issue,) = issues(answer)
        is_unknown = answer.status_code == 400 and issue["code"] == "not-supported"
        assert not is_unknown, (name, issue)
    answer = client.get(f"/fhir/{operation}?guess=1")
    assert (answer.status_code, issues(answer)[0]["code"]) == (400, "not-supported")


def test_answers_are_r4(client: Client, services: Services) -> None:
    """Judged by our validator and by the models of fhir.resources."""
    one = {"system": TECHNIQUE, "code": "pep"}
    answers = [
        ask(client, "CodeSystem/$lookup", coding=one),
        ask(client, "ValueSet/$validate-code", url=TECHNIQUES, coding=one),
        ask(client, "ConceptMap/$translate", url=MAP, coding=one),
        ask(client, "ValueSet/$expand", url=TECHNIQUES, count=3),
        ask(client, "ValueSet/$expand", url="http://hl7.org/fhir/ValueSet/goal-status"),
    ]
    for answer in answers:
        assert serious(services.validator.validate(answer)) == []
        get_fhir_model_class(answer["resourceType"]).model_validate(answer)


def test_concept_maps_are_read_and_found_like_other_definitions(client: Client) -> None:
    assert client.ids(f"ConceptMap?source-system={TECHNIQUE}") == ["technique-to-snomed"]
    assert client.ids("ConceptMap?target-code=226029000") == ["technique-to-snomed"]
    read = resource(client.get("/fhir/ConceptMap/technique-to-snomed"))
    assert read["url"] == MAP
    assert client.put("/fhir/ConceptMap/technique-to-snomed", read).status_code == 405


def test_an_operation_can_be_an_entry_of_a_batch(client: Client) -> None:
    url = f"CodeSystem/$lookup?system={TECHNIQUE}&code=pep"
    entry = {"request": {"method": "GET", "url": url}}
    answer = client.post("/fhir", {"resourceType": "Bundle", "type": "batch", "entry": [entry]})
    told = resource(answer)["entry"][0]
    assert told["response"]["status"].startswith("200")
    assert value(told["resource"], "display") == "Positive expiratory pressure"


NAMES = st.sampled_from(sorted({name for names in IN_R4.values() for name in names.split()}))
TEXTS = st.text(max_size=9) | st.sampled_from(
    [TECHNIQUE, TECHNIQUES, f"{TECHNIQUES}|0.1.0", MAP, SNOMED, "pep", "|", "http://loinc.org", "1"]
)
TYPED = st.one_of(
    TEXTS.map(lambda text: {"valueString": text}),
    st.integers(-(2**40), 2**40).map(lambda number: {"valueInteger": number}),
    st.booleans().map(lambda flag: {"valueBoolean": flag}),
    st.dictionaries(
        st.sampled_from(["system", "code", "version", "display"]),
        TEXTS | st.lists(TEXTS, max_size=2),
    ).map(lambda one: {"valueCoding": one}),
    st.lists(st.dictionaries(st.sampled_from(["system", "code"]), TEXTS)).map(
        lambda codings: {"valueCodeableConcept": {"coding": codings}}
    ),
    st.just({}),
)


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None)
@given(
    operation=st.sampled_from([*IN_R4, "ValueSet/airway-technique/$expand"]),
    asked=st.lists(st.tuples(NAMES, TEXTS), max_size=4),
    sent=st.none() | st.lists(st.tuples(NAMES, TYPED), max_size=4),
)
def test_whatever_is_asked_is_answered_or_refused(
    client: Client,
    operation: str,
    asked: list[tuple[str, str]],
    sent: list[tuple[str, dict[str, Any]]] | None,
) -> None:
    path = f"/fhir/{operation}?{urlencode(asked)}"
    if sent is None:
        answer = client.get(path)
    else:
        parts = [{"name": name} | typed for name, typed in sent]
        answer = client.post(path, {"resourceType": "Parameters", "parameter": parts})
    assert answer.status_code in {200, 400, 404, 422}, answer.text
    assert resource(answer)["resourceType"] in {"Parameters", "ValueSet", "OperationOutcome"}
