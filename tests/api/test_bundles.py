"""Transactions and batches over HTTP: R4 http.html#transaction."""

from typing import Any

import pytest
from api_client import BASE, Client, issues, places, resource
from requests_sent import bundle, entry, statuses

pytestmark = pytest.mark.engines

CHILD = "urn:uuid:6e7d8b9a-0000-4000-8000-000000000001"


def observation(**rest: Any) -> dict[str, Any]:
    head = {"resourceType": "Observation", "status": "final", "code": {"text": "s"}}
    return head | rest


def test_a_transaction_links_what_it_makes(client: Client) -> None:
    answer = client.post(
        "/fhir",
        bundle(
            "transaction",
            entry("POST", "Observation", observation(subject={"reference": CHILD})),
            entry("POST", "Patient", {"resourceType": "Patient"}, CHILD),
            entry("PUT", f"{BASE}/Goal/g", goal(CHILD)),
        ),
    )
    assert answer.status_code == 200
    assert statuses(answer) == ["201", "201", "201"]
    places_ = [part["response"]["location"] for part in resource(answer)["entry"]]
    child = places_[1].removesuffix("/_history/1")
    assert places_[2] == "Goal/g/_history/1"
    assert client.ids(f"Observation?subject={child}") == [places_[0].split("/")[1]]
    assert client.ids(f"Goal?patient={child}") == ["g"]
    assert "resource" not in resource(answer)["entry"][0]


def goal(child: str) -> dict[str, Any]:
    return {
        "resourceType": "Goal",
        "id": "g",
        "lifecycleStatus": "active",
        "description": {"text": "swim"},
        "subject": {"reference": child},
    }


def test_a_transaction_may_read_and_may_be_asked_for_bodies(client: Client) -> None:
    client.put("/fhir/Patient/p", {"resourceType": "Patient", "id": "p"})
    asked = bundle(
        "transaction", entry("GET", "Patient/p"), entry("POST", "Goal", goal("Patient/p"))
    )
    first, second = resource(client.post("/fhir", asked))["entry"]
    assert first["resource"]["id"] == "p"
    assert "resource" not in second
    whole = resource(client.post("/fhir/", asked, prefer="return=representation"))["entry"]
    assert whole[1]["resource"]["resourceType"] == "Goal"


def test_a_transaction_that_fails_in_one_place_changes_nothing(client: Client) -> None:
    answer = client.post(
        "/fhir",
        bundle(
            "transaction",
            entry("POST", "Observation", observation()),
            entry("POST", "Observation", observation(status="nope")),
        ),
    )
    assert answer.status_code == 422
    assert places(answer) == ["Bundle.entry[1].resource.status"]
    assert client.ids("Observation") == []


def test_a_transaction_with_a_stale_version_fails_as_a_whole(client: Client) -> None:
    client.put("/fhir/Patient/p", {"resourceType": "Patient", "id": "p"})
    client.put("/fhir/Patient/p", {"resourceType": "Patient", "id": "p", "active": True})
    answer = client.post(
        "/fhir",
        bundle(
            "transaction",
            entry("POST", "Observation", observation()),
            entry("PUT", "Patient/p", {"resourceType": "Patient", "id": "p"}, ifMatch='W/"1"'),
        ),
    )
    assert answer.status_code == 412
    assert client.ids("Observation") == []


def test_one_identity_once_in_a_transaction(client: Client) -> None:
    client.put("/fhir/Observation/o1", observation(id="o1"))
    same = "Observation?identifier=https://example.org/s|1"
    named = observation(identifier=[{"system": "https://example.org/s", "value": "1"}])
    for pair in (
        (entry("PUT", same, named), entry("PUT", same, named | {"status": "amended"})),
        (entry("DELETE", "Observation/o1"), entry("PUT", "Observation/o1", observation(id="o1"))),
    ):
        answer = client.post("/fhir", bundle("transaction", *pair))
        assert answer.status_code in (400, 412)
        assert len(issues(answer)) >= 1
    assert client.ids("Observation") == ["o1"]
    assert client.get("/fhir/Observation/o1").headers["etag"] == 'W/"1"'


def test_the_entries_of_a_batch_stand_alone_and_are_answered_in_order(client: Client) -> None:
    """A link between entries of a batch is not resolved, and is told."""
    first = "urn:uuid:6e7d8b9a-0000-4000-8000-000000000002"
    answer = client.post(
        "/fhir",
        bundle(
            "batch",
            entry("POST", "Observation", observation(), first),
            entry("POST", "Observation", observation(status="nope")),
            entry("GET", "Observation/none"),
            entry("POST", "Observation", observation(hasMember=[{"reference": first}])),
            entry("GET", "Observation?status=final&_count=5"),
            entry("GET", "Nonsense/1"),
            entry("DELETE", "metadata"),
            {"request": {"method": "FETCH", "url": "Patient"}},
            "nothing",
        ),
    )
    assert answer.status_code == 200
    assert resource(answer)["type"] == "batch-response"
    assert statuses(answer) == ["201", "422", "404", "400", "200", "404", "405", "400", "400"]
    parts = resource(answer)["entry"]
    linked = parts[3]["response"]["outcome"]["issue"][0]
    assert linked["expression"] == ["Bundle.entry[3].resource.hasMember[0].reference"]
    assert parts[4]["resource"]["total"] == 1
    assert parts[0]["response"]["etag"] == 'W/"1"'


def test_an_update_in_a_batch_minds_the_version(client: Client) -> None:
    client.put("/fhir/Patient/p", {"resourceType": "Patient", "id": "p"})
    child = {"resourceType": "Patient", "id": "p", "active": True}
    answer = client.post(
        "/fhir",
        bundle(
            "batch",
            entry("PUT", "Patient/p", child, ifMatch='W/"9"'),
            entry("PUT", "Patient/p", child, ifMatch='W/"1"'),
        ),
    )
    assert statuses(answer) == ["412", "200"]


def test_bundles_that_are_no_request(client: Client) -> None:
    assert client.post("/fhir", {"resourceType": "Patient"}).status_code == 400
    assert client.post("/fhir", bundle("collection")).status_code == 400
    assert client.post("/fhir", bundle("batch") | {"entry": {}}).status_code == 400
    assert client.post("/fhir", bundle("batch", *[{}] * 2001)).status_code == 413
    assert resource(client.post("/fhir", bundle("transaction"))) == {
        "resourceType": "Bundle",
        "type": "transaction-response",
    }


def test_a_transaction_cannot_write_what_is_not_served(client: Client) -> None:
    answer = client.post(
        "/fhir",
        bundle(
            "transaction",
            entry("POST", "Observation", observation()),
            entry("POST", "Medication", {"resourceType": "Medication"}),
            entry("PUT", "CodeSystem/c", {"resourceType": "CodeSystem", "id": "c"}),
            entry("DELETE", "Provenance/p"),
        ),
    )
    assert answer.status_code == 400
    assert places(answer) == [f"Bundle.entry[{number}].request" for number in (1, 2, 3)]
    assert client.ids("Observation") == []
