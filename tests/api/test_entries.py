"""Entries of transactions and batches: order, links, overlaps, patches, conditions.

R4 http.html#trules and #brules.
"""

from typing import Any

import pytest
from api_client import Client, issues, resource
from requests_sent import SESSIONS, binary, bundle, entry, observation, session, statuses, walk

from service.fhir.json import read

pytestmark = pytest.mark.engines

NEW = "urn:uuid:6e7d8b9a-0000-4000-8000-000000000011"


def test_entries_run_in_the_standards_order_and_are_answered_as_sent(client: Client) -> None:
    client.put("/fhir/Observation/old", session("1", id="old"))
    client.put("/fhir/Observation/o2", session("2", id="o2"))
    answer = client.post(
        "/fhir",
        bundle(
            "transaction",
            entry("GET", "Observation?_sort=_id&_total=accurate"),
            entry("GET", "Observation/o2/_history"),
            entry("HEAD", "Observation/o2"),
            entry(
                "PATCH",
                "Observation/o2",
                walk(
                    "replace", "Observation.subject", value={"valueReference": {"reference": NEW}}
                ),
            ),
            entry("POST", "Patient", {"resourceType": "Patient"}, NEW),
            entry("DELETE", f"Observation?identifier={SESSIONS}|1"),
            entry("DELETE", f"Observation?identifier={SESSIONS}|none"),
        ),
    )
    assert answer.status_code == 200, answer.text
    assert statuses(answer) == ["200", "200", "200", "200", "201", "204", "204"]
    parts = resource(answer)["entry"]
    found = parts[0]["resource"]
    assert [part["resource"]["id"] for part in found["entry"]] == ["o2"]
    child = parts[4]["response"]["location"].removesuffix("/_history/1")
    assert found["entry"][0]["resource"]["subject"] == {"reference": child}
    assert len(parts[1]["resource"]["entry"]) == 2
    assert "resource" not in parts[2]
    assert parts[2]["response"]["etag"] == 'W/"2"'


def test_links_inside_a_json_patch_are_resolved(client: Client) -> None:
    client.put("/fhir/Observation/o1", observation(id="o1"))
    operations = [
        {"op": "replace", "path": "/subject/reference", "value": NEW},
        {"op": "add", "path": "/hasMember", "value": [{"reference": "Observation?status=final"}]},
    ]
    asked = bundle(
        "transaction",
        entry("PATCH", "Observation/o1", binary(operations)),
        entry("POST", "Patient", {"resourceType": "Patient"}, NEW),
    )
    answer = client.post("/fhir", asked)
    assert answer.status_code == 200, answer.text
    stored = resource(client.get("/fhir/Observation/o1"))
    assert stored["subject"]["reference"].startswith("Patient/")
    assert stored["hasMember"] == [{"reference": "Observation/o1"}]
    nobody = [{"op": "replace", "path": "/subject/reference", "value": NEW}]
    dangling = client.post(
        "/fhir", bundle("transaction", entry("PATCH", "Observation/o1", binary(nobody)))
    )
    assert dangling.status_code == 422


def test_a_version_that_the_client_has_is_not_sent_again(client: Client) -> None:
    client.put("/fhir/Observation/o1", observation(id="o1"))
    answer = client.post(
        "/fhir",
        bundle(
            "transaction",
            entry("GET", "Observation/o1", ifNoneMatch='W/"1"'),
            entry("GET", "Observation/o1", ifNoneMatch='W/"7"'),
        ),
    )
    assert statuses(answer) == ["304", "200"]
    assert ["resource" in part for part in resource(answer)["entry"]] == [False, True]


def overlapping() -> dict[str, list[dict[str, Any]]]:
    where = f"Observation?identifier={SESSIONS}|dev7-1"
    change = binary([{"op": "replace", "path": "/status", "value": "amended"}])
    new = session("new")
    return {
        "two conditional updates": [
            entry("PUT", where, session("dev7-1")),
            entry("PUT", where, session("dev7-1", status="amended")),
        ],
        "delete and update": [
            entry("DELETE", "Observation/o1"),
            entry("PUT", "Observation/o1", session("dev7-1", id="o1", status="amended")),
        ],
        "conditional delete and update": [
            entry("DELETE", where),
            entry("PUT", "Observation/o1", session("dev7-1", id="o1", status="amended")),
        ],
        "conditional delete and patch": [
            entry("DELETE", where),
            entry("PATCH", "Observation/o1", change),
        ],
        "conditional patch and patch": [
            entry("PATCH", where, change),
            entry("PATCH", "Observation/o1", change),
        ],
        "two conditional creates": [
            entry("POST", "Observation", new, ifNoneExist=f"identifier={SESSIONS}|new"),
            entry("POST", "Observation", new, ifNoneExist=f"identifier={SESSIONS}|new"),
        ],
    }


@pytest.mark.parametrize("name", overlapping())
def test_one_identity_once_also_after_resolving(client: Client, name: str) -> None:
    client.put("/fhir/Observation/o1", session("dev7-1", id="o1"))
    answer = client.post("/fhir", bundle("transaction", *overlapping()[name]))
    assert answer.status_code in (400, 412), answer.text
    assert issues(answer)
    assert client.get("/fhir/Observation/o1").headers["etag"] == 'W/"1"'
    assert client.ids("Observation") == ["o1"]


def test_a_read_that_cannot_be_answered_undoes_the_transaction(client: Client) -> None:
    for asked in ("Observation?date=20x1", "Observation/none", "Observation/none/_history"):
        answer = client.post(
            "/fhir",
            bundle("transaction", entry("POST", "Observation", observation()), entry("GET", asked)),
        )
        assert answer.status_code in (400, 404), answer.text
        assert issues(answer)
    assert client.ids("Observation") == []


def test_a_history_of_what_the_transaction_makes(client: Client) -> None:
    asked = bundle(
        "transaction",
        entry("GET", "Observation/new/_history"),
        entry("PUT", "Observation/new", observation(id="new")),
    )
    parts = resource(client.post("/fhir", asked))["entry"]
    assert len(parts[0]["resource"]["entry"]) == 1


def test_patches_deletes_and_known_versions_in_a_batch(client: Client) -> None:
    client.put("/fhir/Observation/o1", session("1", id="o1"))
    client.put("/fhir/Observation/o2", session("2", id="o2"))
    change = [{"op": "replace", "path": "/status", "value": "amended"}]
    answer = client.post(
        "/fhir",
        bundle(
            "batch",
            entry("PATCH", "Observation/o1", binary(change), ifMatch='W/"1"'),
            entry("PATCH", "Observation/o1", binary(change), ifMatch='W/"7"'),
            entry("PATCH", "Observation/o1", binary(change) | {"data": "!"}),
            entry("PATCH", "Observation/o1", observation(id="o1")),
            entry("DELETE", f"Observation?identifier={SESSIONS}|2"),
            entry("HEAD", "Observation/o1"),
            entry("GET", "Observation/o1", ifNoneMatch='W/"2"'),
            entry("GET", "Observation/o1", ifModifiedSince="yesterday"),
        ),
    )
    expected = ["200", "412", "400", "400", "204", "200", "304", "400"]
    assert statuses(answer) == expected, answer.text
    assert client.ids("Observation") == ["o1"]


def test_outcomes_when_they_are_preferred(client: Client) -> None:
    asked = bundle("transaction", entry("POST", "Observation", observation()))
    answer = client.post("/fhir", asked, prefer="return=OperationOutcome")
    part = read(answer.content)["entry"][0]
    assert part["response"]["outcome"]["resourceType"] == "OperationOutcome"
