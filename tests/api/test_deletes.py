"""Deleting what is there, what was deleted and what never was.

R4 http.html#delete: 200 or 204 "if the resource does not exist at all" as well; #2.21.0.12.1: a
conditional delete that several resources meet is 412.
"""

from typing import Any

import pytest
from api_client import Client, issues
from requests_sent import SESSIONS, bundle, entry, session, statuses

pytestmark = pytest.mark.engines

NOBODY = f"Observation?identifier={SESSIONS}|nobody"


@pytest.mark.parametrize("path", ["Observation/never", NOBODY])
def test_nothing_to_delete_is_no_error(client: Client, path: str) -> None:
    answer = client.delete(f"/fhir/{path}")
    assert (answer.status_code, answer.content) == (204, b"")
    assert "etag" not in answer.headers
    told = client.delete(f"/fhir/{path}", prefer="return=OperationOutcome")
    assert told.status_code == 200
    assert issues(told)[0]["severity"] == "information"
    assert client.get("/fhir/Observation/never").status_code == 404, "no tombstone"
    assert client.ids("Provenance") == []


@pytest.mark.parametrize("path", ["Observation/never", NOBODY])
@pytest.mark.parametrize("tag", ['W/"1"', "*"])
def test_a_version_of_nothing_is_not_there(client: Client, path: str, tag: str) -> None:
    assert client.delete(f"/fhir/{path}", if_match=tag).status_code == 412


@pytest.mark.parametrize("kind", ["batch", "transaction"])
def test_the_same_in_a_bundle(client: Client, kind: str) -> None:
    client.put("/fhir/Observation/there", session("1", id="there"))
    client.put("/fhir/Observation/gone", session("2", id="gone"))
    client.delete("/fhir/Observation/gone")
    named = [f"Observation/{id_}" for id_ in ("there", "gone", "never")]
    entries: list[Any] = [entry("DELETE", path) for path in (*named, NOBODY)]
    assert statuses(client.post("/fhir", bundle(kind, *entries))) == ["204"] * 4
    assert client.get("/fhir/Observation/there").status_code == 410


@pytest.mark.parametrize("kind", ["batch", "transaction"])
def test_of_several_none_is_deleted(client: Client, kind: str) -> None:
    for id_ in ("a", "b"):
        client.put(f"/fhir/Observation/{id_}", session("1", id=id_))
    path = f"Observation?identifier={SESSIONS}|1"
    assert client.delete(f"/fhir/{path}").status_code == 412
    answer = client.post("/fhir", bundle(kind, entry("DELETE", path)))
    assert (statuses(answer) if kind == "batch" else [str(answer.status_code)]) == ["412"]
    assert sorted(client.ids("Observation")) == ["a", "b"]
