"""$validate: R4 operation Resource/$validate."""

import json
from typing import Any
from uuid import uuid4

import pytest
from api_client import Client, issues, places

PLAN_PROFILE = "https://airway-programmes.example/fhir/StructureDefinition/airway-care-plan"
PART_SYSTEM = "https://airway-programmes.example/fhir/CodeSystem/airway-plan-part"
PLAN: dict[str, Any] = {
    "resourceType": "CarePlan",
    "id": "c",
    "status": "active",
    "intent": "plan",
    "subject": {"reference": "Patient/p"},
}


def parameters(**values: Any) -> dict[str, Any]:
    parts = [
        {"name": name, "resource" if name == "resource" else "valueCode": value}
        for name, value in values.items()
    ]
    return {"resourceType": "Parameters", "parameter": parts}


def test_a_resource_that_would_be_accepted(client: Client) -> None:
    for body in (PLAN, parameters(resource=PLAN, mode="create")):
        answer = client.post("/fhir/CarePlan/$validate", body)
        assert answer.status_code == 200
        assert {issue["severity"] for issue in issues(answer)} == {"information"}
    assert client.ids("CarePlan") == [], "nothing is stored"


def test_a_resource_that_would_not(client: Client) -> None:
    answer = client.post("/fhir/CarePlan/$validate", PLAN | {"status": "nope"})
    assert answer.status_code == 200
    assert places(answer) == ["CarePlan.status"]


def test_against_a_profile_by_query_and_by_parameters(client: Client) -> None:
    by_query = client.post(f"/fhir/CarePlan/$validate?profile={PLAN_PROFILE}", PLAN)
    by_body = client.post(
        "/fhir/CarePlan/$validate", parameters(resource=PLAN, mode="profile", profile=PLAN_PROFILE)
    )
    assert places(by_query)
    assert places(by_query) == places(by_body)
    unknown = client.post("/fhir/CarePlan/$validate?profile=https://example.org/none", PLAN)
    assert issues(unknown)[0]["code"] == "not-found"


def test_what_is_stored_is_validated_at_its_own_address(client: Client) -> None:
    client.put("/fhir/CarePlan/c", PLAN)
    for method in ("GET", "POST"):
        answer = client.request(method, f"/fhir/CarePlan/c/$validate?profile={PLAN_PROFILE}")
        assert answer.status_code == 200
        assert places(answer)
    assert client.get("/fhir/CarePlan/none/$validate").status_code == 404


def test_an_update_is_at_the_resource_of_the_same_id(client: Client) -> None:
    client.put("/fhir/CarePlan/c", PLAN)
    fine = client.post("/fhir/CarePlan/c/$validate?mode=update", PLAN)
    assert places(fine) == []
    other = client.post("/fhir/CarePlan/c/$validate?mode=update", PLAN | {"id": "d"})
    assert places(other) == ["CarePlan.id"]
    assert places(client.post("/fhir/CarePlan/c/$validate?mode=delete", "")) == []


def told(answer: Any) -> list[dict[str, Any]]:
    """The issues without their places in the text."""
    return [
        {name: value for name, value in issue.items() if name != "extension"}
        for issue in issues(answer)
    ]


def places_in_text(answer: Any) -> list[list[int]]:
    """Line and column of each issue that has them."""
    located = [issue["extension"] for issue in issues(answer) if "extension" in issue]
    return [[one["valueInteger"] for one in extensions] for extensions in located]


def test_findings_in_a_body_have_its_lines_and_columns(client: Client) -> None:
    spoilt = json.dumps(PLAN | {"status": "nope"}, indent=1)
    line = next(n for n, one in enumerate(spoilt.split("\n"), 1) if "nope" in one)
    answer = client.post("/fhir/CarePlan/$validate", spoilt)
    assert [line, 12] in places_in_text(answer)
    sent = client.put("/fhir/CarePlan/c", spoilt)
    assert sent.status_code == 422
    assert [line, 12] in places_in_text(sent)
    wrapped = json.dumps(parameters(mode="create", resource=json.loads(spoilt)), indent=1)
    line = next(n for n, one in enumerate(wrapped.split("\n"), 1) if "nope" in one)
    answer = client.post("/fhir/CarePlan/$validate", wrapped)
    assert places(answer) == ["CarePlan.status"]
    assert [line, 15] in places_in_text(answer)


def test_the_same_question_in_the_address_and_in_parameters(client: Client) -> None:
    client.put("/fhir/CarePlan/c", PLAN)
    for id_, resource in (("", PLAN), ("/c", PLAN), ("/c", PLAN | {"status": "nope"})):
        for mode in ("create", "update", "profile"):
            path = f"/fhir/CarePlan{id_}/$validate"
            by_address = client.post(f"{path}?mode={mode}&profile={PLAN_PROFILE}", resource)
            asked = parameters(resource=resource, mode=mode, profile=PLAN_PROFILE)
            by_body = client.post(path, asked)
            assert by_address.status_code == 200
            assert told(by_address) == told(by_body)
            assert places(by_address)


def test_deletion_is_asked_of_what_is_there_whatever_is_sent(client: Client) -> None:
    client.put("/fhir/CarePlan/c", PLAN)
    for sent in ("", PLAN | {"status": "nope"}, parameters(mode="delete")):
        answer = client.post("/fhir/CarePlan/c/$validate?mode=delete", sent)
        assert answer.status_code == 200
        assert places(answer) == []
    assert places(client.post("/fhir/CarePlan/c/$validate", parameters(mode="delete"))) == []
    assert client.ids("CarePlan") == ["c"], "nothing is deleted"
    assert client.post("/fhir/CarePlan/none/$validate?mode=delete", "").status_code == 404
    client.delete("/fhir/CarePlan/c")
    assert client.post("/fhir/CarePlan/c/$validate?mode=delete", "").status_code == 410


def bundle(type_: str, *resources: dict[str, Any]) -> dict[str, Any]:
    entries: list[dict[str, Any]] = [
        {"fullUrl": f"urn:uuid:{uuid4()}", "resource": {**resource}} for resource in resources
    ]
    for entry in entries:
        entry["resource"].pop("id", None)
    if type_ in ("batch", "transaction"):
        entries = [
            entry | {"request": {"method": "POST", "url": entry["resource"]["resourceType"]}}
            for entry in entries
        ]
    return {"resourceType": "Bundle", "type": type_, "entry": entries}


@pytest.mark.parametrize("type_", ["collection", "transaction", "batch"])
def test_a_bundle_is_validated_with_everything_in_it(client: Client, type_: str) -> None:
    good, bad = bundle(type_, PLAN), bundle(type_, PLAN, PLAN | {"status": "nope"})
    for whole in (good, parameters(resource=good)):
        answer = client.post("/fhir/Bundle/$validate", whole)
        assert answer.status_code == 200
        assert places(answer) == []
    for whole in (bad, parameters(resource=bad)):
        answer = client.post("/fhir/Bundle/$validate", whole)
        assert answer.status_code == 200
        assert places(answer) == ["Bundle.entry[1].resource.status"]


def test_entries_of_a_bundle_meet_the_profiles_that_apply_to_them(client: Client) -> None:
    category = {"system": PART_SYSTEM, "code": "home-programme"}
    plan = PLAN | {"category": [{"coding": [category]}]}
    found = places(client.post("/fhir/Bundle/$validate", bundle("collection", plan)))
    assert found
    assert all(place.startswith("Bundle.entry[0].resource") for place in found)


def test_bundles_are_carried_out_and_never_stored(client: Client) -> None:
    for type_, is_taken in (("batch", True), ("transaction", True), ("collection", False)):
        answer = client.post("/fhir/Bundle/$validate?mode=create", bundle(type_, PLAN))
        assert places(answer) == ([] if is_taken else ["Bundle.type"])
    update = client.post("/fhir/Bundle/$validate?mode=update", bundle("batch", PLAN))
    assert places(update) == ["Bundle.id"]
    assert client.post("/fhir/Bundle/b/$validate", bundle("batch", PLAN)).status_code == 404
    assert client.post("/fhir/Bundle", bundle("batch", PLAN)).status_code == 405
    assert client.get("/fhir/Bundle/b").status_code == 405
    assert client.ids("CarePlan") == []


@pytest.mark.parametrize(
    ("path", "body"),
    [
        ("CarePlan/$validate", ""),
        ("CarePlan/$validate?mode=delete", PLAN),
        ("Bundle/$validate", PLAN),
        ("CarePlan/$validate?mode=guess", PLAN),
        ("CarePlan/$validate?mode=profile", PLAN),
        ("CarePlan/$validate", {"resourceType": "Patient"}),
        ("CarePlan/$validate", parameters(resource="CarePlan")),
        ("CarePlan/$validate", {"resourceType": "Parameters", "parameter": [{}]}),
        ("CarePlan/$validate", {"resourceType": "Parameters", "parameter": {}}),
    ],
)
def test_a_question_that_makes_no_sense(client: Client, path: str, body: Any) -> None:
    answer = client.post(f"/fhir/{path}", body)
    assert answer.status_code == 400
    assert places(answer)


def test_an_operation_that_is_not_there(client: Client) -> None:
    assert client.post("/fhir/CarePlan/$guess", {}).status_code == 404
    assert client.post("/fhir/CodeSystem/$validate", {}).status_code == 404
    assert client.get("/fhir/CarePlan/$validate").status_code == 405
