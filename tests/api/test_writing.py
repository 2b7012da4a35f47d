"""Every way to write, over HTTP: versions, conditions, patches, what is answered.

R4 http.html (create, update, patch, delete, concurrency), RFC 6902, RFC 5789.
"""

from collections import Counter
from typing import Any

import pytest
from api_client import BASE, Client, issues, resource
from requests_sent import (
    JSON_PATCH,
    SESSIONS,
    at_once,
    binary,
    bundle,
    entry,
    observation,
    patch,
    session,
    statuses,
    walk,
)

from service.api.services import Services

pytestmark = pytest.mark.engines

SYSTEM = "https://example.org/acw/plan"


def plan(**rest: Any) -> dict[str, Any]:
    head = {
        "resourceType": "CarePlan",
        "id": "cp1",
        "status": "active",
        "intent": "plan",
        "subject": {"reference": "Patient/p"},
        "identifier": [{"system": SYSTEM, "value": "77"}],
    }
    return head | rest


def at_version_two(client: Client) -> None:
    assert client.put("/fhir/CarePlan/cp1", plan()).status_code == 201
    assert client.put("/fhir/CarePlan/cp1", plan(title="two")).status_code == 200


STATUS = [{"op": "replace", "path": "/status", "value": "revoked"}]


# -- the version that the writer saw (case D1) -----------------------------------------------------


@pytest.mark.parametrize("tag", ['W/"1"', 'W/"x"'])
def test_a_stale_version_is_refused_on_every_way_to_write(client: Client, tag: str) -> None:
    at_version_two(client)
    condition = f"CarePlan?identifier={SYSTEM}|77"
    body = plan(title="three")
    stored = client.get("/fhir/CarePlan/cp1").content
    answers = [
        client.put("/fhir/CarePlan/cp1", body, if_match=tag),
        patch(client, "/fhir/CarePlan/cp1", STATUS, if_match=tag),
        client.put(f"/fhir/{condition}", body, if_match=tag),
        patch(client, f"/fhir/{condition}", STATUS, if_match=tag),
        client.delete("/fhir/CarePlan/cp1", if_match=tag),
        client.delete(f"/fhir/{condition}", if_match=tag),
        client.delete(f"/fhir/{condition}9", if_match=tag),
        *(
            client.post("/fhir", bundle("transaction", asked))
            for asked in (
                entry("PUT", "CarePlan/cp1", body, ifMatch=tag),
                entry("PATCH", "CarePlan/cp1", binary(STATUS), ifMatch=tag),
                entry("DELETE", "CarePlan/cp1", ifMatch=tag),
                entry("DELETE", condition, ifMatch=tag),
            )
        ),
    ]
    for answer in answers:
        assert answer.status_code == 412
        assert issues(answer)[0]["code"] == "conflict"
    assert client.get("/fhir/CarePlan/cp1").content == stored


@pytest.mark.parametrize("tag", ['W/"2"', '"2"', "*"])
def test_the_version_that_is_there_is_good(client: Client, tag: str) -> None:
    at_version_two(client)
    answer = client.put("/fhir/CarePlan/cp1", plan(title="three"), if_match=tag)
    assert (answer.status_code, answer.headers["etag"]) == (200, 'W/"3"')
    assert answer.headers["location"] == f"{BASE}/CarePlan/cp1/_history/3"
    changed = patch(client, "/fhir/CarePlan/cp1", STATUS, if_match='"3"')
    assert (changed.status_code, changed.headers["etag"]) == (200, 'W/"4"')
    gone = client.delete("/fhir/CarePlan/cp1", if_match='W/"4"')
    assert (gone.status_code, gone.headers["etag"]) == (204, 'W/"5"')


def test_of_twenty_patches_of_one_version_one_wins(client: Client, services: Services) -> None:
    at_version_two(client)
    headers = {"if-match": 'W/"2"', "content-type": JSON_PATCH}
    answers = at_once(
        services,
        [
            ("PATCH", "/fhir/CarePlan/cp1",
             [{"op": "replace", "path": "/title", "value": f"t{n}"}], headers)
            for n in range(20)
        ],
    )  # fmt: skip
    assert Counter(answer.status_code for answer in answers) == {200: 1, 412: 19}
    assert len(resource(client.get("/fhir/CarePlan/cp1/_history"))["entry"]) == 3


# -- conditions (case D2) --------------------------------------------------------------------------


def test_sixteen_conditional_updates_make_one(client: Client, services: Services) -> None:
    where = f"/fhir/Observation?identifier={SESSIONS}|dev7-000413"
    answers = at_once(services, [("PUT", where, session("dev7-000413"), {})] * 16)
    assert Counter(answer.status_code for answer in answers) == {201: 1, 200: 15}
    assert len({answer.headers["location"] for answer in answers}) == 1


def test_a_condition_that_two_meet_is_refused_everywhere(client: Client) -> None:
    for _ in range(2):
        client.post("/fhir/Observation", session("twice"))
    condition = f"identifier={SESSIONS}|twice"
    where = f"Observation?{condition}"
    change = [{"op": "replace", "path": "/status", "value": "amended"}]
    for answer in (
        client.post("/fhir/Observation", session("twice"), if_none_exist=condition),
        client.put(f"/fhir/{where}", session("twice")),
        patch(client, f"/fhir/{where}", change),
        client.delete(f"/fhir/{where}"),
        client.post("/fhir", bundle("transaction", entry("DELETE", where))),
        client.post("/fhir", bundle("transaction", entry("PATCH", where, binary(change)))),
    ):
        assert answer.status_code == 412, answer.text
        assert issues(answer)[0]["code"] == "conflict"
    assert len(client.ids("Observation")) == 2


def test_conditional_delete_and_patch_of_one_and_of_none(client: Client) -> None:
    made = client.post("/fhir/Observation", session("one")).headers["location"]
    where = f"/fhir/Observation?identifier={SESSIONS}|one"
    change = [{"op": "replace", "path": "/status", "value": "amended"}]
    changed = patch(client, where, change)
    assert (changed.status_code, resource(changed)["status"]) == (200, "amended")
    assert client.delete(where).status_code == 204
    address = made.removeprefix(BASE).removesuffix("/_history/1")
    assert client.get(f"/fhir{address}").status_code == 410
    assert client.delete(where).status_code == 204
    assert patch(client, where, change).status_code == 404
    assert client.delete("/fhir/Observation").status_code == 400
    assert client.delete("/fhir/Observation?colour=blue").status_code == 400


def test_create_only(client: Client) -> None:
    body = observation(id="o1")
    assert client.put("/fhir/Observation/o1", body, if_none_match="*").status_code == 201
    assert client.put("/fhir/Observation/o1", body, if_none_match="*").status_code == 412
    asked = entry("PUT", "Observation/o1", body, ifNoneMatch="*")
    assert client.post("/fhir", bundle("transaction", asked)).status_code == 412
    assert statuses(client.post("/fhir", bundle("batch", asked))) == ["412"]
    other = bundle("transaction", entry("PUT", "Observation/o1", body, ifNoneMatch='W/"3"'))
    assert client.post("/fhir", other).status_code == 400
    client.delete("/fhir/Observation/o1")
    assert client.put("/fhir/Observation/o1", body, if_none_match="*").status_code == 201
    assert client.put("/fhir/Observation/o1", body, if_none_match='W/"3"').status_code == 400


@pytest.mark.parametrize("returns", ["minimal", "representation", "OperationOutcome"])
def test_every_write_answers_what_the_client_prefers(client: Client, returns: str) -> None:
    prefer = f"return={returns}"
    body = observation(id="o1")
    answers = [
        client.post("/fhir/Observation", body, prefer=prefer),
        client.put("/fhir/Observation/o1", body, prefer=prefer),
        patch(
            client,
            "/fhir/Observation/o1",
            [{"op": "replace", "path": "/status", "value": "amended"}],
            prefer=prefer,
        ),
        patch(
            client,
            "/fhir/Observation/o1",
            walk("replace", "Observation.status", value={"valueCode": "corrected"}),
            "application/fhir+json",
            prefer=prefer,
        ),
    ]
    for answer in answers:
        assert answer.headers["location"].startswith(f"{BASE}/Observation/")
        assert answer.headers["etag"].startswith('W/"')
        assert "last-modified" in answer.headers
        kinds = {"minimal": "", "representation": "Observation"}
        found = resource(answer)["resourceType"] if answer.content else ""
        assert found == kinds.get(returns, "OperationOutcome")
    deleted = client.delete("/fhir/Observation/o1", prefer=prefer)
    assert deleted.status_code == (200 if returns == "OperationOutcome" else 204)


# -- patches (case D11) ----------------------------------------------------------------------------

REFUSED = {
    "all or nothing": (
        [
            {"op": "test", "path": "/status", "value": "final"},
            {"op": "replace", "path": "/status", "value": "amended"},
            {"op": "remove", "path": "/component/9"},
        ],
        422,
    ),
    "unknown operator": ([{"op": "delete", "path": "/status"}], 400),
    "malformed pointer": ([{"op": "remove", "path": "status"}], 400),
    "failed test": ([{"op": "test", "path": "/status", "value": "amended"}], 422),
    "typed break": (
        [{"op": "replace", "path": "/component/0/valueQuantity", "value": "twelve"}],
        422,
    ),
    "another id": ([{"op": "replace", "path": "/id", "value": "o2"}], 400),
    "no id": ([{"op": "remove", "path": "/id"}], 400),
    "another type": ([{"op": "replace", "path": "/resourceType", "value": "Patient"}], 400),
    "a companion without a value": (
        [{"op": "add", "path": "/component/0/_valueString", "value": {"id": "e1"}}],
        422,
    ),
    "no resource left": ([{"op": "replace", "path": "", "value": 1}], 422),
    "no list": ({"op": "add"}, 400),
    "not JSON": ("[", 400),
    "repeated name": ('[{"op":"remove","path":"/status","path":"/code"}]', 400),
}
WALKS = {
    "move from nowhere": (walk("move", "Observation.component", source=5, destination=0), 422),
    "unfinished path": (walk("delete", "Observation.component.where(code.text='x'"), 400),
    "several": (
        walk("replace", "Observation.component.code", value={"valueCodeableConcept": {}}),
        422,
    ),
    "another id": (walk("replace", "Observation.id", value={"valueId": "o2"}), 400),
    "typed break": (walk("replace", "Observation.status", value={"valueCode": "nope"}), 422),
    "no Parameters": (observation(id="o1"), 400),
}


@pytest.mark.parametrize(("asked", "status"), REFUSED.values(), ids=REFUSED)
def test_a_json_patch_that_is_refused_changes_nothing(
    client: Client, asked: Any, status: int
) -> None:
    _refused(client, asked, status, JSON_PATCH)


@pytest.mark.parametrize(("asked", "status"), WALKS.values(), ids=WALKS)
def test_a_fhirpath_patch_that_is_refused_changes_nothing(
    client: Client, asked: Any, status: int
) -> None:
    _refused(client, asked, status, "application/fhir+json")


def _refused(client: Client, asked: Any, status: int, kind: str) -> None:
    parts = [{"code": {"text": "a"}, "valueQuantity": {"value": 1}}, {"code": {"text": "b"}}]
    client.put("/fhir/Observation/o1", observation(id="o1", component=parts))
    stored = client.get("/fhir/Observation/o1").content
    answer = patch(client, "/fhir/Observation/o1", asked, kind)
    assert answer.status_code == status, answer.text
    assert issues(answer)
    assert client.get("/fhir/Observation/o1").content == stored
    assert len(resource(client.get("/fhir/Observation/o1/_history"))["entry"]) == 1


@pytest.mark.parametrize("kind", ["application/json", "text/plain", "application/xml-patch+xml"])
def test_other_media_types_are_no_patch(client: Client, kind: str) -> None:
    client.put("/fhir/Observation/o1", observation(id="o1"))
    answer = patch(client, "/fhir/Observation/o1", [], kind)
    assert answer.status_code == 415
    assert answer.headers["accept-patch"] == "application/json-patch+json, application/fhir+json"
    assert issues(answer)


def test_a_patch_of_what_is_not_there_and_of_what_is_gone(client: Client) -> None:
    assert patch(client, "/fhir/Observation/o1", []).status_code == 404
    client.put("/fhir/Observation/o1", observation(id="o1"))
    client.delete("/fhir/Observation/o1")
    assert patch(client, "/fhir/Observation/o1", []).status_code == 410


def test_a_patch_of_another_element_keeps_every_digit(client: Client) -> None:
    """Case A1."""
    text = (
        '{"resourceType":"Observation","id":"o1","status":"final","code":{"text":"x"},"component":'
        '[{"code":{"text":"mean"},"valueQuantity":{"value":12.50}},'
        '{"code":{"text":"leak"},"valueQuantity":{"value":0.10}}]}'
    )
    client.put("/fhir/Observation/o1", text)
    client.put("/fhir/Observation/o1", text)
    for asked, kind in (
        ([{"op": "replace", "path": "/status", "value": "amended"}], JSON_PATCH),
        (walk("replace", "Observation.status", value={"valueCode": "corrected"}),
         "application/fhir+json; charset=utf-8"),
    ):  # fmt: skip
        answer = patch(client, "/fhir/Observation/o1", asked, kind)
        assert answer.status_code == 200
        assert b'"value":12.50' in answer.content
        assert b'"value":0.10' in answer.content
    assert resource(client.get("/fhir/Observation/o1"))["status"] == "corrected"


def test_a_patch_that_changes_nothing_makes_no_version(client: Client) -> None:
    client.put("/fhir/Observation/o1", observation(id="o1"))
    answer = patch(client, "/fhir/Observation/o1", [])
    assert (answer.status_code, answer.headers["etag"]) == (200, 'W/"1"')


def test_what_a_patch_writes_can_be_found(client: Client) -> None:
    client.put("/fhir/Observation/o1", observation(id="o1"))
    patch(
        client, "/fhir/Observation/o1", [{"op": "replace", "path": "/status", "value": "amended"}]
    )
    assert client.ids("Observation?status=amended") == ["o1"]
    assert client.ids("Observation?status=final") == []
