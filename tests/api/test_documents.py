"""$document of a programme: R4 documents.html, judged by the validator of the service too."""

from typing import Any
from urllib.parse import urlparse

import pytest
from api_client import BASE, Client, issues, places, resource
from programme_documents import programme

from service.api.services import Services

SAFETY_NET = {
    "sign": "Streaks of blood in what comes up",
    "action": "Stop and call",
    "contact": "Ward desk, day and night",
}


@pytest.fixture
def plan(client: Client) -> str:
    """The id of the CarePlan of a programme."""
    made = client.post(
        "/programmes", programme(safetyNet=[SAFETY_NET]), content_type="application/json"
    )
    assert made.status_code == 201, made.text
    (id_,) = client.ids("CarePlan")
    return id_


def document(client: Client, plan: str) -> Any:
    answer = client.get(f"/fhir/CarePlan/{plan}/$document")
    assert answer.status_code == 200, answer.text
    return resource(answer)


def test_a_document_begins_with_a_composition_and_has_all_that_it_refers_to(
    client: Client, plan: str
) -> None:
    """documents.html#content: the Composition first, each entry at the address it is known by."""
    found = document(client, plan)
    assert (found["type"], found["identifier"]["system"]) == ("document", "urn:ietf:rfc3986")
    assert found["timestamp"]
    entries = {entry["fullUrl"]: entry["resource"] for entry in found["entry"]}
    assert len(entries) == len(found["entry"]), "each once"
    first = found["entry"][0]["resource"]
    assert (first["resourceType"], first["status"]) == ("Composition", "final")
    for section in first["section"]:
        for entry in section.get("entry", ()):
            assert entry["reference"] in entries, section["title"]
    assert first["subject"]["reference"] in entries
    assert {one["resourceType"] for one in entries.values()} == {
        "CarePlan",
        "CareTeam",
        "Composition",
        "Condition",
        "DeviceRequest",
        "Goal",
        "Patient",
        "Practitioner",
        "ServiceRequest",
    }


def test_a_document_is_valid_and_every_link_in_it_leads_somewhere(
    client: Client, services: Services, plan: str
) -> None:
    found = document(client, plan)
    findings = services.validator.validate(found)
    assert [f for f in findings if f.severity in ("error", "fatal")] == []
    known = {entry["fullUrl"] for entry in found["entry"]}
    for entry in found["entry"][1:]:
        for link in _links(entry["resource"]):
            assert f"{BASE}/{link}" in known, link


def _links(value: Any) -> list[str]:
    if isinstance(value, dict):
        own = [value["reference"]] if isinstance(value.get("reference"), str) else []
        return own + [link for part in value.values() for link in _links(part)]
    return [link for part in value for link in _links(part)] if isinstance(value, list) else []


def test_when_to_stop_and_whom_to_call_is_in_its_words(client: Client, plan: str) -> None:
    sections = {s["title"]: s for s in document(client, plan)["entry"][0]["resource"]["section"]}
    said = sections["When to stop and whom to call"]["text"]["div"]
    assert all(words in said for words in SAFETY_NET.values())
    assert list(sections)[:2] == ["The plan", "When to stop and whom to call"]


def test_each_document_has_a_name_of_its_own(client: Client, plan: str) -> None:
    """bdl-9: a document has an identifier, and no other document has the same."""
    names = {document(client, plan)["identifier"]["value"] for _ in range(3)}
    assert len(names) == 3
    assert all(urlparse(name).scheme == "urn" for name in names)


def test_a_draft_is_a_preliminary_document(client: Client) -> None:
    made = client.post("/programmes", programme(status="draft"), content_type="application/json")
    assert made.status_code == 201, made.text
    (id_,) = client.ids("CarePlan")
    assert document(client, id_)["entry"][0]["resource"]["status"] == "preliminary"


def test_documents_are_not_stored_and_what_is_not_there_has_none(client: Client, plan: str) -> None:
    refused = client.get(f"/fhir/CarePlan/{plan}/$document?persist=true")
    assert (refused.status_code, places(refused)) == (422, ["http.persist"])
    assert client.get(f"/fhir/CarePlan/{plan}/$document?persist=false").status_code == 200
    graph = client.get(f"/fhir/CarePlan/{plan}/$document?graph=http://x.example/g")
    assert (graph.status_code, places(graph)) == (422, ["http.graph"])
    assert client.get("/fhir/CarePlan/none/$document").status_code == 404
    client.delete(f"/fhir/CarePlan/{plan}")
    gone = client.get(f"/fhir/CarePlan/{plan}/$document")
    assert (gone.status_code, issues(gone)[0]["code"]) == (410, "deleted")
