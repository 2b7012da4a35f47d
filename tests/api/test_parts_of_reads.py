"""``_summary`` and ``_elements`` beside searches: read, vread and history, GET and HEAD.

R4 http.html#read and #history, search.html#summary and #elements.
"""

from typing import Any

import pytest
from api_client import Client, issues, resource
from requests_sent import bundle, entry

pytestmark = pytest.mark.engines

SUBSETTED = {
    "system": "http://terminology.hl7.org/CodeSystem/v3-ObservationValue",
    "code": "SUBSETTED",
}
TEXT = {"status": "generated", "div": '<div xmlns="http://www.w3.org/1999/xhtml">A child</div>'}
CHILD: dict[str, Any] = {
    "resourceType": "Patient",
    "id": "p",
    "text": TEXT,
    "active": True,
    "birthDate": "2024-07",
    "maritalStatus": {"text": "none"},
}


@pytest.fixture
def kept(client: Client) -> Client:
    client.put("/fhir/Patient/p", CHILD)
    client.put("/fhir/Patient/p", CHILD | {"gender": "female"})
    client.put("/fhir/Patient/q", CHILD | {"id": "q"})
    return client


ROADS = ("Patient/p", "Patient/p/_history/2")


@pytest.mark.parametrize("path", ROADS)
@pytest.mark.parametrize(
    ("query", "left"),
    [
        ("_summary=true", {"active", "birthDate", "gender"}),
        ("_summary=text", {"text"}),
        ("_summary=data", {"active", "birthDate", "gender", "maritalStatus"}),
        ("_elements=birthDate", {"birthDate"}),
        ("_elements=birthDate,maritalStatus", {"birthDate", "maritalStatus"}),
        ("_elements=gender&_summary=data", {"gender"}),
    ],
)
def test_a_part_says_that_it_is_one(kept: Client, path: str, query: str, left: set[str]) -> None:
    whole, part = kept.get(f"/fhir/{path}"), kept.get(f"/fhir/{path}?{query}")
    assert part.status_code == 200
    assert part.headers["etag"] == whole.headers["etag"] == 'W/"2"'
    found = resource(part)
    always = {"resourceType", "id", "meta"}
    # Patient.active changes the meaning of the rest (isModifier) and stays with _elements.
    assert set(found) - always - {"active"} == left - {"active"}
    assert found["meta"]["tag"] == [SUBSETTED]
    head = kept.request("HEAD", f"/fhir/{path}?{query}")
    assert head.content == b""
    assert head.headers["content-length"] == part.headers["content-length"] != "0"


@pytest.mark.parametrize("path", ROADS)
def test_all_of_it_is_as_it_was_stored(kept: Client, path: str) -> None:
    for query in ("_summary=false", "_format=json", "_elements="):
        assert kept.get(f"/fhir/{path}?{query}").content == kept.get(f"/fhir/{path}").content


@pytest.mark.parametrize("path", [*ROADS, "_history", "Patient/p/_history"])
@pytest.mark.parametrize(
    ("query", "place"),
    [
        ("_summary=some", "http._summary"),
        ("_summary=true&_summary=data", ""),
        ("_elements=colour", "http._elements"),
    ],
)
def test_what_names_no_part_is_refused(kept: Client, path: str, query: str, place: str) -> None:
    answer = kept.get(f"/fhir/{path}?{query}")
    assert answer.status_code == 400
    assert issues(answer)[0].get("expression", [""]) == [place]


@pytest.mark.parametrize("path", ROADS)
def test_one_resource_is_not_counted(kept: Client, path: str) -> None:
    assert kept.get(f"/fhir/{path}?_summary=count").status_code == 400


def test_unknown_parameters_of_a_read_go_by_the_preference(kept: Client) -> None:
    assert kept.get("/fhir/Patient/p?colour=blue").status_code == 200
    assert kept.get("/fhir/Patient/p?colour=blue", prefer="handling=strict").status_code == 400


@pytest.mark.parametrize(
    ("path", "total"),
    [("Patient/p/_history", 2), ("Patient/_history", 3), ("_history", 6)],
)
def test_a_history_is_counted(kept: Client, path: str, total: int) -> None:
    """A Provenance stands for each of the three writes."""
    for query in ("_summary=count", "_count=0"):
        counted = resource(kept.get(f"/fhir/{path}?{query}"))
        assert (counted["type"], counted["total"]) == ("history", total)
        assert "entry" not in counted
        assert [link["relation"] for link in counted["link"]] == ["self"]
    since = "_since=2031-03-09T12:00:01Z"
    assert resource(kept.get(f"/fhir/{path}?_summary=count&{since}"))["total"] == 0
    assert kept.get("/fhir/Patient/none/_history?_summary=count").status_code == 404


@pytest.mark.parametrize("path", ["Patient/p/_history", "Patient/_history", "_history"])
def test_a_history_of_parts(kept: Client, path: str) -> None:
    page = resource(kept.get(f"/fhir/{path}?_elements=birthDate&_count=1"))
    links = {link["relation"]: link["url"] for link in page["link"]}
    assert "_elements=birthDate" in links["self"]
    assert "_elements=birthDate" in links["next"]
    whole = resource(kept.get(f"/fhir/{path}?_summary=text"))
    for one in (*page["entry"], *whole["entry"]):
        assert one["resource"]["meta"]["tag"] == [SUBSETTED]
        assert "maritalStatus" not in one["resource"]


@pytest.mark.parametrize("kind", ["batch", "transaction"])
def test_parts_in_a_bundle(kept: Client, kind: str) -> None:
    asked = ["Patient/p?_elements=birthDate", "Patient/p/_history?_summary=count"]
    answer = kept.post("/fhir", bundle(kind, *(entry("GET", one) for one in asked)))
    part, counted = resource(answer)["entry"]
    assert set(part["resource"]) - {"resourceType", "id", "meta", "active"} == {"birthDate"}
    assert counted["resource"]["total"] == 2
    wrong = bundle(kind, entry("GET", "Patient/p?_elements=colour"))
    refused = kept.post("/fhir", wrong)
    assert "400" in (refused.text if kind == "batch" else str(refused.status_code))
