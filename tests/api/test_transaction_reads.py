"""What a transaction reads is what it wrote; what it cannot answer, it does not write.

R4 http.html#trules: reads and searches come last, and all of it is done or nothing.
"""

from typing import Any

import pytest
from api_client import Client, issues, resource
from requests_sent import SESSIONS, bundle, entry, observation, session

from service.record.view import View

pytestmark = pytest.mark.engines


@pytest.mark.parametrize(
    "address",
    [
        "Observation?date=20x1",
        "Observation?status:odd=final",
        "Observation?_sort=colour",
        "Observation?_elements=colour",
        "Observation?_page=nowhere",
        "Observation?identifier=" + ",".join(["1"] * 300),
        "Observation/_history?_since=today",
        "Observation/_history?_page=nowhere",
        "Observation/o1/_history?_at=20x1",
        "Observation/none/_history",
        "Observation/none",
    ],
)
def test_a_read_that_cannot_be_answered_undoes_all(client: Client, address: str) -> None:
    client.put("/fhir/Observation/o1", session("1", id="o1"))
    asked = bundle(
        "transaction",
        entry("PUT", "Observation/o1", session("1", id="o1", status="amended")),
        entry("POST", "Observation", session("2")),
        entry("HEAD" if address.endswith("none") else "GET", address),
    )
    answer = client.post("/fhir", asked)
    assert answer.status_code in (400, 404), answer.text
    for issue in issues(answer):
        assert issue["expression"][0].startswith("Bundle.entry[2]")
        assert "extension" in issue, "line and column of the entry"
    assert client.get("/fhir/Observation/o1").headers["etag"] == 'W/"1"'
    assert client.ids("Observation") == ["o1"]
    assert len(client.ids("Provenance")) == 1


def test_searches_and_histories_see_the_writes(client: Client) -> None:
    client.put("/fhir/Observation/o1", session("1", id="o1"))
    client.put("/fhir/Observation/o2", session("2", id="o2"))
    changed = session("1", id="o1", status="amended")
    asked = bundle(
        "transaction",
        entry("GET", f"Observation?identifier={SESSIONS}|3"),
        entry("GET", "Observation?status=final&_summary=count"),
        entry("GET", "Observation/o1/_history?_count=1"),
        entry("GET", "Observation/_history?_summary=count"),
        entry("GET", "Observation/o1"),
        entry("HEAD", "Observation?status=final"),
        entry("PUT", "Observation/o1", changed),
        entry("POST", "Observation", session("3")),
        entry("DELETE", "Observation/o2"),
    )
    answer = client.post("/fhir", asked)
    assert answer.status_code == 200, answer.text
    parts = resource(answer)["entry"]
    assert len(parts[0]["resource"]["entry"]) == 1
    assert parts[1]["resource"]["total"] == 1
    assert parts[2]["resource"]["entry"][0]["resource"]["status"] == "amended"
    assert parts[3]["resource"]["total"] == 5
    assert parts[4]["resource"]["status"] == "amended"
    assert "resource" not in parts[5]
    assert resource(client.get("/fhir/Observation?status=final"))["total"] == 1


def test_a_search_is_carried_out_once(client: Client, monkeypatch: pytest.MonkeyPatch) -> None:
    searched: list[str] = []
    search = View.search

    def counted(view: View, type_: str, *args: Any, **how: Any) -> Any:
        searched.append(type_)
        return search(view, type_, *args, **how)

    monkeypatch.setattr(View, "search", counted)
    asked = bundle("transaction", entry("GET", "Goal"), entry("POST", "Observation", observation()))
    assert client.post("/fhir", asked).status_code == 200
    assert searched == ["Goal"]


def test_unknown_parameters_go_by_the_preference(client: Client) -> None:
    asked = bundle(
        "transaction",
        entry("POST", "Observation", observation()),
        entry("GET", "Observation?colour=blue"),
    )
    refused = client.post("/fhir", asked, prefer="handling=strict")
    assert refused.status_code == 400
    assert client.ids("Observation") == []
    told = resource(client.post("/fhir", asked))["entry"][1]["resource"]["entry"]
    assert [one["search"]["mode"] for one in told] == ["match", "outcome"]


def test_what_the_client_has_is_not_sent_again(client: Client) -> None:
    """R4 Bundle.entry.request.ifModifiedSince and ifNoneMatch."""
    client.put("/fhir/Observation/o1", session("1", id="o1"))

    def status(**known: str) -> str:
        answer = client.post(
            "/fhir", bundle("transaction", entry("GET", "Observation/o1", **known))
        )
        (part,) = resource(answer)["entry"]
        assert ("resource" in part) == part["response"]["status"].startswith("200")
        return str(part["response"]["status"][:3])

    assert status(ifModifiedSince="2031-03-09T12:00:00Z") == "304"
    assert status(ifModifiedSince="2031-03-09T11:59:59Z") == "200"
    assert status(ifNoneMatch='W/"1"') == "304"
    assert status(ifNoneMatch='W/"9"', ifModifiedSince="2031-03-09T12:00:00Z") == "200"
    wrong = bundle("transaction", entry("GET", "Observation/o1", ifModifiedSince="yesterday"))
    assert client.post("/fhir", wrong).status_code == 400
