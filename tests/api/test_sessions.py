"""Session uploads over HTTP: a line for each row, after the row is kept."""

import json
from typing import Any

import httpx
import pytest
from api_client import Client
from set_clock import Clock

from service.clinic import clinic_module
from service.fhir.json import write

CHILD = {"system": "https://clinic.example/id/child", "value": "C-01"}
CLINIC = clinic_module().invent()
PROGRAMME = next(p.document for p in CLINIC.programmes if p.document["id"] == "home-c-01")
FEED = {feed.name: feed for feed in CLINIC.feeds}


def session(number: int, **more: Any) -> dict[str, Any]:
    return {
        "id": {"system": "https://clinic.example/id/app-entry", "value": str(number)},
        "child": CHILD,
        "technique": "opep",
        "regimen": "opep",
        "start": f"2031-03-{number % 8 + 1:02d}T07:00:00+01:00",
        "recordedBy": "diary",
        "outcome": "complete",
    } | more


def ndjson(*documents: dict[str, Any]) -> bytes:
    return b"".join(write(document) + b"\n" for document in documents)


def upload(client: Client, body: bytes, query: str = "", **headers: str) -> httpx.Response:
    named = {name.replace("_", "-"): value for name, value in headers.items()}
    sent = {"content-type": "application/x-ndjson"} | named
    return client.request("POST", f"/sessions{query}", content=body, headers=sent)


def lines(answer: httpx.Response) -> list[dict[str, Any]]:
    assert answer.status_code == 200, answer.text
    assert answer.headers["content-type"] == "application/x-ndjson"
    return [json.loads(line) for line in answer.text.splitlines()]


def sessions_stored(client: Client) -> int:
    code = "https://airway-programmes.example/fhir/CodeSystem/airway-log|session"
    found = client.request("GET", "/fhir/Observation", params={"code": code, "_count": "0"})
    total: int = found.json()["total"]
    return total


@pytest.fixture(autouse=True)
def programme(client: Client) -> None:
    answer = client.post("/programmes", PROGRAMME, content_type="application/json")
    assert answer.status_code == 201, answer.text


def test_each_row_is_answered_and_twice_the_same_changes_nothing(client: Client) -> None:
    body = ndjson(*(session(number) for number in range(250)))
    first = lines(upload(client, body, "?source=family-app"))
    assert [line["row"] for line in first] == list(range(1, 251))
    assert {line["status"] for line in first} == {"accepted"}
    for line in first[::60]:
        stored = client.get(f"/fhir/{line['reference']}").json()
        assert stored["effectivePeriod"]["start"].startswith("2031-03-")
    again = lines(upload(client, body, "?source=family-app"))
    assert {line["status"] for line in again} == {"duplicate"}
    assert sessions_stored(client) == 250


def test_a_table_goes_through_its_column_map(client: Client) -> None:
    table = FEED["10-diary-january-to-march.csv"].data.splitlines(keepends=True)
    own = b"".join([table[0], *(line for line in table if line.startswith(b"C-01-"))])
    found = lines(upload(client, own, "?map=phone-diary", content_type="text/csv; charset=utf-8"))
    assert len(found) > 60
    assert {line["status"] for line in found} == {"accepted"}
    assert sessions_stored(client) == len(found)


def test_zone_and_source_of_a_table_may_be_the_sender_s(client: Client) -> None:
    header, first = FEED["10-diary-january-to-march.csv"].data.splitlines()[:2]
    row = first.replace(b"C-07", b"C-01")
    query = "?map=phone-diary&zone=Asia/Kathmandu&source=another-diary"
    (line,) = lines(upload(client, header + b"\n" + row, query, content_type="text/csv"))
    stored = client.get(f"/fhir/{line['reference']}").json()
    assert stored["effectivePeriod"]["start"].endswith("+05:45")
    assert any(one.get("valueString") == "another-diary" for one in stored["extension"])


def test_a_bad_row_is_a_line_among_the_others(client: Client) -> None:
    body = ndjson(session(1, source="a"), session(2, source="a", cycles=-1), session(3, source="a"))
    found = lines(upload(client, body))
    assert [line["status"] for line in found] == ["accepted", "refused", "accepted"]
    assert found[1]["issue"][0]["expression"] == ["Session.cycles"]


def test_what_cannot_wait_is_said_in_the_plan_s_own_words(client: Client) -> None:
    (line,) = lines(upload(client, ndjson(session(1, source="a", chestPain=True))))
    assert "Nobody watches these logs" in line["notice"]
    assert line["caution"] == PROGRAMME["safetyNet"]


def test_the_clock_of_the_device(client: Client, clock: Clock) -> None:
    behind = clock.now.replace(day=7).isoformat()
    body = ndjson(session(5, source="a"))
    (line,) = lines(upload(client, body, device_clock=behind))
    stored = client.get(f"/fhir/{line['reference']}").json()
    assert stored["effectivePeriod"]["start"] == "2031-03-08T07:00:00+01:00"
    refused = upload(client, body, device_clock="ten past nine")
    assert refused.status_code == 400
    assert "Device-Clock" in refused.json()["issue"][0]["diagnostics"]


def test_nothing_sent_nothing_answered(client: Client) -> None:
    assert lines(upload(client, b"")) == []
    assert lines(upload(client, b"\n\n")) == []


@pytest.mark.parametrize(
    ("query", "kind", "status", "said"),
    [
        ("", "application/json", 415, "application/x-ndjson"),
        ("", "text/csv", 400, "phone-diary"),
        ("?map=nobodys", "text/csv", 400, "nobodys"),
        ("?map=phone-diary&zone=Europe/Atlantis", "text/csv", 400, "IANA zone"),
        ("?map=phone-diary", "text/csv", 400, "missing: Blood"),
    ],
)
def test_an_upload_of_which_nothing_can_be_read_is_an_outcome(
    client: Client, query: str, kind: str, status: int, said: str
) -> None:
    refused = upload(client, b"a,b,c\n1,2,3\n", query, content_type=kind)
    assert refused.status_code == status
    outcome = refused.json()
    assert outcome["resourceType"] == "OperationOutcome"
    assert said in outcome["issue"][0]["diagnostics"]
    assert sessions_stored(client) == 0
