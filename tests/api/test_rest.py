"""read, vread, create, update, delete, history: R4 http.html."""

from typing import Any

import pytest
from api_client import ADDRESS, BASE, Client, issues, places, resource
from set_clock import Clock

CHILD: dict[str, Any] = {"resourceType": "Patient", "birthDate": "2024-07"}


def test_create_answers_where_it_is_and_which_version(client: Client) -> None:
    made = client.post("/fhir/Patient", CHILD | {"id": "mine"})
    assert made.status_code == 201
    stored = resource(made)
    assert stored["id"] != "mine", "R4: the id in the body of a create is ignored"
    assert stored["meta"] == {"versionId": "1", "lastUpdated": "2031-03-09T12:00:00.000Z"}
    assert made.headers["etag"] == 'W/"1"'
    assert made.headers["last-modified"] == "Sun, 09 Mar 2031 12:00:00 GMT"
    assert made.headers["location"] == f"{BASE}/Patient/{stored['id']}/_history/1"
    read = client.get(made.headers["location"].removeprefix(ADDRESS))
    assert read.content == made.content


def test_update_makes_a_version_and_the_one_before_stays(client: Client, clock: Clock) -> None:
    assert client.put("/fhir/Patient/p", CHILD | {"id": "p"}).status_code == 201
    clock.move(minutes=5)
    changed = client.put("/fhir/Patient/p", CHILD | {"id": "p", "gender": "female"})
    assert (changed.status_code, changed.headers["etag"]) == (200, 'W/"2"')
    same = client.put("/fhir/Patient/p", CHILD | {"id": "p", "gender": "female"})
    assert (same.status_code, same.headers["etag"]) == (200, 'W/"2"'), "nothing changed"
    assert "gender" not in resource(client.get("/fhir/Patient/p/_history/1"))
    assert resource(client.get("/fhir/Patient/p"))["gender"] == "female"
    history = resource(client.get("/fhir/Patient/p/_history"))
    assert [entry["request"]["method"] for entry in history["entry"]] == ["PUT", "POST"]
    since = "2031-03-09T12:01:00Z"
    later = resource(client.get(f"/fhir/Patient/p/_history?_since={since}"))
    assert [entry["resource"]["meta"]["versionId"] for entry in later["entry"]] == ["2"]


def test_history_of_a_type_pages_through_every_version(client: Client) -> None:
    for number in range(5):
        client.put(f"/fhir/Patient/p{number}", CHILD | {"id": f"p{number}"})
    seen, path = [], "/fhir/Patient/_history?_count=2"
    while path:
        page = resource(client.get(path))
        seen += [entry["resource"]["id"] for entry in page["entry"]]
        links = {link["relation"]: link["url"] for link in page["link"]}
        path = links.get("next", "").removeprefix(ADDRESS)
    assert seen == ["p4", "p3", "p2", "p1", "p0"]


@pytest.mark.parametrize(
    "query", ["_count=-1", "_count=many", "_since=2031-03-09", "_since=2031-02-30T00:00:00Z"]
)
def test_history_refuses_what_it_cannot_read(client: Client, query: str) -> None:
    assert client.get(f"/fhir/Patient/_history?{query}").status_code == 400


def test_delete_leaves_a_trace_and_an_update_brings_it_back(client: Client) -> None:
    client.put("/fhir/Patient/p", CHILD | {"id": "p"})
    assert client.delete("/fhir/Patient/p", if_match='W/"7"').status_code == 412
    assert client.delete("/fhir/Patient/p").status_code == 204
    assert client.delete("/fhir/Patient/p").status_code == 204
    assert client.get("/fhir/Patient/p").status_code == 410
    assert client.get("/fhir/Patient/p/_history/2").status_code == 410
    assert client.get("/fhir/Patient/p/_history/1").status_code == 200
    assert client.ids("Patient") == []
    back = client.put("/fhir/Patient/p", CHILD | {"id": "p"})
    assert (back.status_code, back.headers["etag"]) == (201, 'W/"3"')
    history = resource(client.get("/fhir/Patient/p/_history"))["entry"]
    assert [entry["request"]["method"] for entry in history] == ["PUT", "DELETE", "POST"]
    assert "resource" not in history[1]


# -- If-Match: R4 http.html#concurrency; RFC 9110 lets a strong tag be given for a weak one ------


@pytest.mark.parametrize(
    ("tag", "status"), [('W/"1"', 412), ('W/"x"', 412), ('W/"2"', 200), ('"2"', 200), ("*", 200)]
)
def test_a_writer_who_saw_another_version_is_stopped(client: Client, tag: str, status: int) -> None:
    client.put("/fhir/CarePlan/cp1", plan("one"))
    client.put("/fhir/CarePlan/cp1", plan("two"))
    answer = client.put("/fhir/CarePlan/cp1", plan("three"), if_match=tag)
    assert answer.status_code == status
    if status == 412:
        assert issues(answer)[0]["code"] == "conflict"
        assert resource(client.get("/fhir/CarePlan/cp1"))["title"] == "two"
    else:
        assert answer.headers["etag"] == 'W/"3"'


def plan(title: str) -> dict[str, Any]:
    return {
        "resourceType": "CarePlan",
        "id": "cp1",
        "status": "active",
        "intent": "plan",
        "title": title,
        "subject": {"reference": "Patient/p"},
    }


# -- conditional create and update: R4 http.html#ccreate, #cond-update ---------------------------

SESSION: dict[str, Any] = {
    "resourceType": "Observation",
    "status": "final",
    "code": {"text": "session"},
    "identifier": [{"system": "https://example.org/s", "value": "app|1"}],
}
CONDITION = "identifier=https%3A%2F%2Fexample.org%2Fs%7Capp%5C%7C1"


def test_the_same_thing_is_made_once(client: Client) -> None:
    first = client.post("/fhir/Observation", SESSION, if_none_exist=CONDITION)
    second = client.post("/fhir/Observation", SESSION, if_none_exist=CONDITION)
    assert (first.status_code, second.status_code) == (201, 200)
    assert first.headers["location"] == second.headers["location"]
    assert len(client.ids("Observation")) == 1


def test_an_update_by_condition_makes_or_changes_one(client: Client) -> None:
    first = client.put(f"/fhir/Observation?{CONDITION}", SESSION)
    second = client.put(f"/fhir/Observation?{CONDITION}", SESSION | {"status": "amended"})
    assert (first.status_code, second.status_code) == (201, 200)
    assert second.headers["etag"] == 'W/"2"'
    other = client.put(f"/fhir/Observation?{CONDITION}", SESSION | {"id": "other"})
    assert other.status_code == 400, "the id in the body is not that of the match"


def test_a_condition_that_fits_two_resources_is_refused(client: Client) -> None:
    client.post("/fhir/Observation", SESSION)
    client.post("/fhir/Observation", SESSION)
    answer = client.post("/fhir/Observation", SESSION, if_none_exist=CONDITION)
    assert answer.status_code == 412
    assert len(client.ids("Observation")) == 2


@pytest.mark.parametrize("condition", ["colour=blue", "status:odd=final", "date=20x1", ""])
def test_a_condition_that_cannot_be_read_is_refused(client: Client, condition: str) -> None:
    assert client.put(f"/fhir/Observation?{condition}", SESSION).status_code == 400
    assert client.ids("Observation") == []


# -- what is refused, and how --------------------------------------------------------------------


def test_an_id_that_is_not_that_of_the_address_is_refused(client: Client) -> None:
    assert places(client.put("/fhir/Patient/p", CHILD | {"id": "q"})) == ["Patient.id"]
    assert places(client.put("/fhir/Patient/p", CHILD)) == ["Patient.id"]
    assert client.put("/fhir/Patient/a_b", CHILD | {"id": "a_b"}).status_code == 400


def test_a_resource_of_another_type_is_refused(client: Client) -> None:
    assert client.post("/fhir/Observation", CHILD).status_code == 400
    assert client.post("/fhir/Patient", "[]").status_code == 400
    assert client.post("/fhir/Patient", "").status_code == 400


def test_a_resource_that_breaks_the_standard_is_refused_at_its_places(client: Client) -> None:
    answer = client.post("/fhir/Observation", {"resourceType": "Observation", "status": "nope"})
    assert answer.status_code == 422
    assert sorted(places(answer)) == ["Observation", "Observation.status"]
    assert client.ids("Observation") == []


def test_forms_that_are_not_served(client: Client) -> None:
    assert client.get("/fhir/Patient/p", accept="application/fhir+xml").status_code == 406
    assert client.get("/fhir/metadata", accept="text/html").status_code == 406
    answer = client.post("/fhir/Patient", CHILD, content_type="application/fhir+xml")
    assert answer.status_code == 415
    assert client.get("/fhir/Patient?_format=xml").status_code == 406


def test_types_and_methods_that_are_not_served(client: Client) -> None:
    assert client.get("/fhir/Nonsense").status_code == 404
    assert client.get("/fhir/Nonsense/1").status_code == 404
    patch = client.send("PATCH", "/fhir/Provenance/p", "[]")
    assert patch.status_code == 405
    assert "PATCH" not in patch.headers["allow"]
    assert issues(patch)[0]["code"] == "not-supported"
    assert client.put("/fhir", {}).status_code == 405
    assert client.put("/fhir/Provenance/p", {}).status_code == 405, "who wrote what stays"
    assert client.post("/fhir/StructureDefinition", {}).status_code == 405


def test_versions_that_are_no_versions(client: Client) -> None:
    client.put("/fhir/Patient/p", CHILD | {"id": "p"})
    for number in ("0", "2", "x", "1.0", "9" * 30):
        assert client.get(f"/fhir/Patient/p/_history/{number}").status_code == 404


def test_preferred_answers(client: Client) -> None:
    minimal = client.post("/fhir/Patient", CHILD, prefer="return=minimal")
    assert (minimal.status_code, minimal.content) == (201, b"")
    assert minimal.headers["etag"] == 'W/"1"'
    told = client.post("/fhir/Patient", CHILD, prefer="return=OperationOutcome")
    assert issues(told)[0]["severity"] == "information"


def test_what_was_written_names_its_writer_and_time(client: Client) -> None:
    client.put("/fhir/Patient/p", CHILD | {"id": "p"})
    found = resource(client.get("/fhir/Provenance?target=Patient/p"))["entry"]
    assert [part["resource"]["target"] for part in found] == [
        [{"reference": "Patient/p/_history/1"}]
    ]


def test_head_is_answered_like_get(client: Client) -> None:
    client.put("/fhir/Patient/p", CHILD | {"id": "p"})
    answer = client.request("HEAD", "/fhir/Patient/p")
    assert (answer.status_code, answer.headers["etag"]) == (200, 'W/"1"')
