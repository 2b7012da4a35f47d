"""History of a resource, a type and the whole system (R4 http.html#history), on every engine."""

from typing import Any
from urllib.parse import parse_qsl

import pytest
from api_client import Client, issues, resource
from set_clock import Clock

pytestmark = pytest.mark.engines


def patient(id_: str, number: int) -> Any:
    return {"resourceType": "Patient", "id": id_, "multipleBirthInteger": number}


@pytest.fixture
def kept(client: Client, clock: Clock) -> Client:
    """At 12:00 quill is made, at 13:00 changed, at 14:00 reed is made, at 15:00 quill deleted."""
    client.put("/fhir/Patient/quill", patient("quill", 1))
    clock.move(hours=1)
    client.put("/fhir/Patient/quill", patient("quill", 2))
    clock.move(hours=1)
    client.put("/fhir/Patient/reed", patient("reed", 1))
    clock.move(hours=1)
    client.delete("/fhir/Patient/quill")
    return client


def told(client: Client, path: str) -> list[str]:
    """Id and version of each entry."""
    answer = client.get(f"/fhir/{path}")
    assert answer.status_code == 200, answer.text
    entries = resource(answer).get("entry", [])
    return [
        f"{e['fullUrl'].rsplit('/', 1)[1]} {e['response']['etag'][3:-1]}"
        for e in entries
        if "/Patient/" in e["fullUrl"]
    ]


ALL = ["quill 3", "reed 1", "quill 2", "quill 1"]


def test_the_system_the_type_and_the_instance_newest_first(kept: Client) -> None:
    assert told(kept, "_history") == ALL
    assert told(kept, "Patient/_history") == ALL
    assert told(kept, "Patient/quill/_history") == ["quill 3", "quill 2", "quill 1"]
    kinds = {e["fullUrl"].split("/")[-2] for e in resource(kept.get("/fhir/_history"))["entry"]}
    assert kinds == {"Patient", "Provenance"}


@pytest.mark.parametrize(
    ("query", "entries"),
    [
        ("_since=2031-03-09T13:00:00Z", ALL[:3]),
        ("_since=2031-03-09T15:00:01%2B01:00", ALL[:1]),
        ("_at=2031-03-09T12:30:00Z", ["quill 1"]),
        ("_at=2031-03-09T14:30:00Z", ["reed 1", "quill 2"]),
        ("_at=2031-03-09T14:00:00%2B01:00", ["quill 2"]),
        ("_at=2031-03-09", ALL),
        ("_at=2031-03-10", ["quill 3", "reed 1"]),
        ("_at=lt2031-03-09T13:00:00Z", ["quill 1"]),
        ("_at=ge2031-03-09T14:00:00Z", ["quill 3", "reed 1", "quill 2"]),
        ("_at=ge2031-03-09T13:30:00Z&_at=le2031-03-09T13:40:00Z", ["quill 2"]),
        ("_at=2031-03-09T12:30:00Z&_since=2031-03-09T13:00:00Z", []),
        ("_at=2030", []),
    ],
)
def test_times(kept: Client, query: str, entries: list[str]) -> None:
    assert told(kept, f"Patient/_history?{query}") == entries
    answer = kept.get(f"/fhir/Patient/_history?{query}&_count=50")
    (own,) = [link["url"] for link in resource(answer)["link"] if link["relation"] == "self"]
    assert parse_qsl(own.partition("?")[2]) == [*parse_qsl(query), ("_count", "50")]


@pytest.mark.parametrize(
    ("query", "place"),
    [
        ("_since=2031-03-09", "http._since"),
        ("_since=2031-03-09T12:00:00", "http._since"),
        ("_at=2031-13", "http._at"),
        ("_at=ap2031", "http._at"),
        ("_at=ne2031", "http._at"),
        ("_at=2031-03-09T12:00:00+01:00", "http._at"),
        ("_at=", "http._at"),
        ("_count=-1", "http._count"),
        ("_count=some", "http._count"),
    ],
)
@pytest.mark.parametrize("path", ["_history", "Patient/_history", "Patient/quill/_history"])
def test_what_is_no_time_and_no_number_is_refused(
    kept: Client, path: str, query: str, place: str
) -> None:
    answer = kept.get(f"/fhir/{path}?{query}")
    assert answer.status_code == 400
    assert issues(answer)[0]["expression"] == [place]


def test_unknown_parameters_go_by_the_preference(kept: Client) -> None:
    assert kept.get("/fhir/_history?colour=blue").status_code == 200
    strict = kept.get("/fhir/_history?colour=blue", prefer="handling=strict")
    assert strict.status_code == 400
    assert "colour" in issues(strict)[0]["diagnostics"]


def test_pages_follow_without_gaps_while_others_write(kept: Client, clock: Clock) -> None:
    found: list[str] = []
    path = "/fhir/Patient/_history?_count=1&_at=2031-03-09"
    while path:
        answer = resource(kept.get(path))
        found += [e["response"]["etag"] for e in answer.get("entry", [])]
        links = {link["relation"]: link["url"] for link in answer["link"]}
        path = links.get("next", "").removeprefix("http://127.0.0.1:8000")
        clock.move(minutes=1)
        kept.put("/fhir/Patient/sedge", patient("sedge", len(found)))
    assert found == ['W/"3"', 'W/"1"', 'W/"2"', 'W/"1"']


def test_no_entries_of_none(kept: Client) -> None:
    assert "entry" not in resource(kept.get("/fhir/_history?_count=0"))
    assert kept.get("/fhir/Patient/nobody/_history").status_code == 404
