"""$validate: R4 operation Resource/$validate."""

from typing import Any

import pytest
from api_client import Client, issues, places

PLAN_PROFILE = "https://airway-programmes.example/fhir/StructureDefinition/airway-care-plan"
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


@pytest.mark.parametrize(
    ("path", "body"),
    [
        ("CarePlan/$validate", ""),
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
