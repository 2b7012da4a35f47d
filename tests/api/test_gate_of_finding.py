"""One gate: what a caller may not see leaves by no road that finds resources."""

import pytest
from api_client import Client, resource
from findable import clinic, put_all

from service.api.services import Services
from service.record import Actor, Record
from service.store.contract import Version

pytestmark = pytest.mark.engines

HIDDEN = {"o2", "d1", "ward"}


@pytest.fixture
def guarded(client: Client, monkeypatch: pytest.MonkeyPatch) -> Client:
    """A record with a rule of access: some resources are for nobody's eyes."""
    put_all(client, *clinic())

    def see(_: Record, __: Actor, version: Version) -> Version | None:
        return None if version.id in HIDDEN else version

    monkeypatch.setattr(Record, "see", see)
    monkeypatch.setattr(Record, "hides", lambda *_: True)
    return client


@pytest.mark.parametrize(
    "path",
    [
        "Observation",
        "Observation?_count=1",
        "Observation?_include=Observation:based-on&_include:iterate=ServiceRequest:requester",
        "Patient?_revinclude=Observation:subject",
        "Organization?_include=Organization:partof",
        "Patient/p1/Observation",
        "Patient/p1/*",
        "?_type=Observation,Practitioner,Organization",
        "?_type=Observation,Practitioner&_count=1",
        "Patient/p1/$everything",
        "Observation/$lastn?patient=p1&code:missing=true",
        "Practitioner/d1",
        "Practitioner/d1/$meta",
        "Practitioner/_history",
        "_history",
    ],
)
def test_what_may_not_be_seen_does_not_leave(guarded: Client, path: str) -> None:
    """Only its name does, where something that may be seen refers to it."""
    url, seen = f"/fhir/{path}", 0
    while url:
        answer = guarded.get(url)
        assert answer.status_code in (200, 404)
        body = resource(answer)
        for entry in body.get("entry", []):
            assert entry.get("resource", {}).get("id") not in HIDDEN
            seen += 1
        links = {link["relation"]: link["url"] for link in body.get("link", [])}
        url = links.get("next", "").removeprefix("http://127.0.0.1:8000")
    assert seen or "d1" in path or "lastn" in path or path == "Practitioner/_history"


@pytest.mark.parametrize(
    "path",
    [
        "Observation",
        "Observation?status=final,registered",
        "Patient/p1/*",
        "?_type=Observation,Practitioner,Organization",
        "Organization?name:missing=false",
    ],
)
def test_what_may_not_be_seen_is_not_counted(guarded: Client, path: str) -> None:
    """The total is the number of matches on all pages, and the same without any page."""
    whole = resource(guarded.get(f"/fhir/{path}"))
    shown = [one for one in whole.get("entry", []) if one["search"]["mode"] == "match"]
    assert whole["total"] == len(shown)
    for none in ("_summary=count", "_count=0"):
        counted = resource(guarded.get(f"/fhir/{path}{'&' if '?' in path else '?'}{none}"))
        assert counted["total"] == len(shown)


def test_the_record_counts_what_may_be_seen(guarded: Client, services: Services) -> None:
    everybody = Actor("everybody")
    found = services.record.search(everybody, "Observation").versions
    assert services.record.total(everybody, "Observation") == len(found) > 0
    assert "o2" not in {one.id for one in found}
