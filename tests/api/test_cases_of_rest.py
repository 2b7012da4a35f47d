"""The trade's cases of REST (area d), each over HTTP on every engine.

What is sent is taken from the case file beside the project as far as it is spelled out there; what
must come of it is the case's own "right result", which rests on R4 http.html, search.html and
fhirpatch.html and on RFC 6902. Not run: D3, D5, D9 and D10, which are not in the file; of D11 the
rights on two patients, because there is no authorisation yet.
"""

import json
import re
from collections import Counter
from collections.abc import Callable, Iterator
from itertools import product
from typing import Any

import pytest
from api_client import Client, issues, resource
from cases import Case, case, cases_of
from requests_sent import at_once, bundle, entry, observation, patch, session, statuses, walk

from service.api.services import Services

pytestmark = pytest.mark.engines

Scenario = Callable[[Client, Services, Case], Any]
PLANS, SESSIONS = "https://example.org/acw/plan", "https://example.org/acw/session"


def plan(id_: str, **rest: Any) -> dict[str, Any]:
    """A care plan at this id, with the case's identifier for it alone."""
    head = {
        "resourceType": "CarePlan",
        "id": id_,
        "status": "active",
        "intent": "plan",
        "subject": {"reference": "Patient/p"},
        "identifier": [{"system": PLANS, "value": id_}],
    }
    return head | rest


WAYS = ("PUT", "PATCH", "PUT by condition", "DELETE", "entry")


def write_of(client: Client, way: str, id_: str, tag: str) -> Any:
    """The answer to one way of writing to the plan at ``id_``."""
    path, body = f"/fhir/CarePlan/{id_}", plan(id_, title="three")
    match way:
        case "PUT":
            return client.put(path, body, if_match=tag)
        case "PATCH":
            revoked = [{"op": "replace", "path": "/status", "value": "revoked"}]
            return patch(client, path, revoked, if_match=tag)
        case "PUT by condition":
            where = f"/fhir/CarePlan?identifier={PLANS}|{id_}"
            return client.put(where, body, if_match=tag)
        case "DELETE":
            return client.delete(path, if_match=tag)
    asked = entry("PUT", f"CarePlan/{id_}", body, ifMatch=tag)
    return client.post("/fhir", bundle("transaction", asked))


def at_version_two(client: Client, id_: str) -> None:
    client.put(f"/fhir/CarePlan/{id_}", plan(id_))
    client.put(f"/fhir/CarePlan/{id_}", plan(id_, title="two"))


def versions_seen(client: Client, services: Services, told: Case) -> None:
    (line,) = re.findall(r"^PUT /CarePlan/cp1 If-Match: (.*)$", told.input, re.MULTILINE)
    tags = line.split(" | ")
    assert tags == ['W/"1"', 'W/"2"', '"2"', 'W/"x"', "*"]
    for number, (tag, way) in enumerate(product(tags, WAYS)):
        id_ = f"cp{number}"
        at_version_two(client, id_)
        answer = write_of(client, way, id_, tag)
        after = client.get(f"/fhir/CarePlan/{id_}/_history?_summary=count")
        if tag in ('W/"1"', 'W/"x"'):
            assert answer.status_code == 412, (tag, way)
            assert issues(answer)[0]["code"] == "conflict"
            assert resource(after)["total"] == 2
        else:
            assert answer.status_code == (204 if way == "DELETE" else 200), (tag, way)
            assert resource(after)["total"] == 3
            assert answer.headers.get("etag", 'W/"3"') == 'W/"3"'
    at_version_two(client, "race")
    racing = [
        ("PUT", "/fhir/CarePlan/race", plan("race", title=f"by {one}"), {"if-match": 'W/"2"'})
        for one in range(20)
    ]
    ends = Counter(answer.status_code for answer in at_once(services, racing))
    assert ends == {200: 1, 412: 19}
    history = resource(client.get("/fhir/CarePlan/race/_history?_summary=count"))
    assert history["total"] == 3
    served = resource(client.get("/fhir/metadata"))["rest"][0]["resource"]
    (of_plans,) = [one for one in served if one["type"] == "CarePlan"]
    assert of_plans["versioning"] == "versioned", "If-Match is honoured and not asked for"


def made_once(client: Client, services: Services, told: Case) -> None:
    created, updated = re.findall(r"identifier=(\S+)", told.input)
    assert (created, updated) == (f"{SESSIONS}|dev7-000412", f"{SESSIONS}|dev7-000413")
    body = session("dev7-000412")
    condition = f"identifier={created}"
    plain = [("POST", "/fhir/Observation", body, {"if-none-exist": condition})] * 8
    wrapped = bundle("transaction", entry("POST", "Observation", body, ifNoneExist=condition))
    answers = at_once(services, plain + [("POST", "/fhir", wrapped, {})] * 8)
    ends, known = Counter[str](), set()
    for answer in answers:
        if answer.headers.get("location"):
            status, place = str(answer.status_code), answer.headers["location"]
            tag = answer.headers["etag"]
        else:
            (part,) = resource(answer)["entry"]
            status, place = part["response"]["status"][:3], part["response"]["location"]
            tag = part["response"]["etag"]
        ends[status] += 1
        known.add(("/".join(place.split("/")[-4:]), tag))
    assert ends == {"201": 1, "200": 15}
    assert len(known) == 1
    where = f"/fhir/Observation?identifier={updated}"
    racing = at_once(services, [("PUT", where, session("dev7-000413"), {})] * 16)
    assert Counter(answer.status_code for answer in racing) == {201: 1, 200: 15}
    other = client.put(where, session("dev7-000413", id="other"))
    assert other.status_code in (400, 412), "the body carries a different id"
    for _ in range(2):
        client.post("/fhir/Observation", session("twice"))
    twice = f"identifier={SESSIONS}|twice"
    assert client.put(f"/fhir/Observation?{twice}", session("twice")).status_code == 412
    assert client.post("/fhir/Observation", body, if_none_exist=twice).status_code == 412


def once_in_a_transaction(client: Client, services: Services, told: Case) -> None:
    where = f"Observation?identifier={SESSIONS}|dev7-1"
    assert where in told.input
    client.put("/fhir/Observation/o1", session("o1", id="o1"))
    new = f"identifier={SESSIONS}|new"
    for pair in (
        (
            entry("PUT", where, session("dev7-1")),
            entry("PUT", where, session("dev7-1", issued=NOW)),
        ),
        (entry("DELETE", "Observation/o1"), entry("PUT", "Observation/o1", session("a", id="o1"))),
        [entry("POST", "Observation", session("new"), ifNoneExist=new)] * 2,
        # It overlaps only after the condition was looked up.
        (
            entry("DELETE", f"Observation?identifier={SESSIONS}|o1"),
            entry("PUT", "Observation/o1", session("a", id="o1")),
        ),
    ):
        answer = client.post("/fhir", bundle("transaction", *pair))
        assert answer.status_code in (400, 412)
        assert issues(answer)
        assert client.ids("Observation") == ["o1"]
        assert client.get("/fhir/Observation/o1").headers["etag"] == 'W/"1"'
    first = "urn:uuid:6e7d8b9a-0000-4000-8000-000000000021"
    broken = observation(status="nope", hasMember=[{"reference": first}])
    batch = client.post(
        "/fhir",
        bundle(
            "batch",
            entry("POST", "Observation", observation(), first),
            entry("POST", "Observation", broken),
            entry("GET", "Observation/none"),
        ),
    )
    assert batch.status_code == 200
    assert resource(batch)["type"] == "batch-response"
    made, refused, missing = statuses(batch)
    assert (made, missing) == ("201", "404")
    assert refused in ("400", "422")
    linked = resource(batch)["entry"][1]["response"]["outcome"]["issue"]
    assert any("hasMember" in one.get("expression", [""])[0] for one in linked)
    client.put("/fhir/Observation/d", session("d", id="d"))
    client.put("/fhir/Observation/u", session("u", id="u"))
    ordered = client.post(
        "/fhir",
        bundle(
            "transaction",
            entry("GET", f"Observation?identifier={SESSIONS}|d,{SESSIONS}|u2,{SESSIONS}|c"),
            entry("PUT", "Observation/u", session("u2", id="u")),
            entry("POST", "Observation", session("c")),
            entry("DELETE", "Observation/d"),
        ),
    )
    assert statuses(ordered) == ["200", "200", "201", "204"]
    assert resource(ordered)["entry"][0]["resource"]["total"] == 2


NOW = "2031-03-09T12:00:00Z"


def dates(client: Client, services: Services, told: Case) -> None:
    born = dict(re.findall(r"([\d-]+) \(([YMD])\)", told.input.partition("\n")[0]))
    ids = {letter.lower(): text for text, letter in born.items()}
    assert len(ids) == 3
    for id_, text in ids.items():
        child = {"resourceType": "Patient", "id": id_, "birthDate": text}
        assert client.put(f"/fhir/Patient/{id_}", child).status_code == 201
    asked = told.input.split("birthdate= ")[1].partition("\n")[0].split(" | ")
    expected = told.right_result.partition(". ")[0].split(" | ")
    assert len(asked) == len(expected) == 9
    for value, found in zip(asked, expected, strict=True):
        assert sorted(client.ids(f"Patient?birthdate={value}")) == sorted(
            found.lower().split(",")
        ), value
    start, end = re.findall(r"effectivePeriod (\S+)/(\S+) \(P\)", told.input)[0]
    (since,) = re.findall(r"open period from (\S+) \(Q\)", told.input)
    for id_, period in (("p", {"start": start, "end": end}), ("q", {"start": since})):
        client.put(f"/fhir/Observation/{id_}", observation(id=id_, effectivePeriod=period))
    last = told.input.rpartition("date=")[2]
    found_of = {"2031-03-09": "p", "ge2031-03-10": "q", "sa2031-03-09": "", last: "pq"}
    assert all(value in told.input for value in found_of)
    for value, found in found_of.items():
        assert sorted(client.ids(f"Observation?date={value}")) == list(found), value
    assert client.get("/fhir/Observation?date=2031-03-09T23:50:00+01:00").status_code == 400


def escapes(client: Client, services: Services, told: Case) -> None:
    system, value = re.findall(r"Identifier system (\S+) value (\S+) on Patient p1", told.input)[0]
    named = [("p1", {"system": system, "value": value}), ("p2", {"value": "A"})]
    for id_, identifier in named:
        child = {"resourceType": "Patient", "id": id_, "identifier": [identifier]}
        assert client.put(f"/fhir/Patient/{id_}", child).status_code == 201
    queries = re.findall(r"^\?(.*)$", told.input, re.MULTILINE)
    results: list[Any] = [["p1"], ["p2"], ["p2"], ["p2"], ["p1"], 400]
    for query, result in zip(queries, results, strict=True):
        if result == 400:
            assert client.get(f"/fhir/Patient?{query}").status_code == 400
        else:
            assert client.ids(f"Patient?{query}") == result, query
    # The same reading of a value in a chain, in _has, and as a condition.
    client.put("/fhir/Observation/o", observation(id="o", subject={"reference": "Patient/p1"}))
    first = queries[0].partition("=")[2]
    assert client.ids(f"Observation?subject:Patient.identifier={first}") == ["o"]
    assert client.ids(f"Patient?_has:Observation:subject:_id=o&identifier={first}") == ["p1"]
    again = client.post(
        "/fhir/Patient", {"resourceType": "Patient"}, if_none_exist=f"identifier={first}"
    )
    assert again.status_code == 200
    link = {"reference": f"Patient?identifier={first}"}
    linked = bundle("transaction", entry("PUT", "Observation/l", observation(id="l", subject=link)))
    assert client.post("/fhir", linked).status_code == 200
    assert resource(client.get("/fhir/Observation/l"))["subject"] == {"reference": "Patient/p1"}


CATEGORY = "http://terminology.hl7.org/CodeSystem/observation-category"
ABSENT = "http://hl7.org/fhir/StructureDefinition/data-absent-reason"


def negations(client: Client, services: Services, told: Case) -> None:
    def of(*codes: str) -> dict[str, Any]:
        return {"category": [{"coding": [{"system": CATEGORY, "code": one}]} for one in codes]}

    dated = {"effectiveDateTime": "2031-03-09"}
    unsaid = {"_effectiveDateTime": {"extension": [{"url": ABSENT, "valueCode": "unknown"}]}}
    for id_, rest in {
        "o1": of("activity") | dated,
        "o2": dated,
        "o3": of("activity", "survey"),
        "o4": of("survey") | dated,
        "o5": unsaid,
    }.items():
        made = client.put(f"/fhir/Observation/{id_}", observation(id=id_, **rest))
        assert made.status_code == 201, made.text
    queries = re.findall(r"^\?(.*)$", told.input, re.MULTILINE)
    assert CATEGORY in queries[0]
    results: list[Any] = ["o2 o4 o5", "o2 o5", "o2 o5", "o3 o5", 400]
    for query, result in zip(queries, results, strict=True):
        if result == 400:
            assert client.get(f"/fhir/Observation?{query}").status_code == 400
        else:
            assert sorted(client.ids(f"Observation?{query}")) == result.split(), query


def patches(client: Client, services: Services, told: Case) -> None:
    sent = list(_documents(told.input))
    assert len(sent) == 6
    expected = [{422}, {400}, {422}, {400}, {200}, {422}]
    path = "/fhir/Observation/o1"
    parts = [{"code": {"text": "x"}, "valueQuantity": {"value": one}} for one in range(2)]
    stored = observation(id="o1", component=parts)
    for operations, statuses_ in zip(sent, expected, strict=True):
        client.put(path, stored)
        before = client.get(path)
        answer = patch(client, path, operations)
        assert answer.status_code in statuses_, (operations, answer.text)
        if answer.status_code != 200:
            assert issues(answer)
            assert client.get(path).content == before.content
    assert "move Observation.component from 5 to 0" in told.input
    broken = re.findall(r'path "(.*?\')"', told.input)
    client.put(path, stored)
    before = client.get(path)
    for document, status in (
        (walk("move", "Observation.component", source=5, destination=0), 422),
        (walk("replace", broken[0], value={"valueString": "a"}), 400),
        (walk("replace", "Observation.component.code", value=TEXT), 422),
    ):
        answer = patch(client, path, document, "application/fhir+json")
        assert answer.status_code == status, answer.text
        assert issues(answer)
    wrong = patch(client, path, sent[0], "application/json")
    assert wrong.status_code == 415
    assert issues(wrong)
    assert client.get(path).content == before.content


TEXT = {"valueCodeableConcept": {"text": "y"}}


def _documents(text: str) -> Iterator[Any]:
    """The JSON Patches in a text, in their order."""
    reader, at = json.JSONDecoder(), text.find("[{")
    while at >= 0:
        found, end = reader.raw_decode(text, at)
        yield found
        at = text.find("[{", end)


def bad_values(client: Client, services: Services, told: Case) -> None:
    for id_ in ("p1", "p2"):
        client.put(f"/fhir/Patient/{id_}", {"resourceType": "Patient", "id": id_})
    for number, (child, status) in enumerate(
        [("p1", "final"), ("p1", "amended"), ("p2", "final")], 1
    ):
        rest = {"subject": {"reference": f"Patient/{child}"}, "status": status}
        client.put(f"/fhir/Observation/o{number}", observation(id=f"o{number}", **rest))
    paths = [one.strip().removeprefix("GET ") for one in told.input.split(" ; ")]
    paths = [f"/Observation{one}" if one.startswith("?") else one for one in paths]
    assert paths[:2] == ["/Observation?date=20x1", "/Observation?subject.birthdate=20x1"]
    for path in paths[:2]:
        assert client.get(f"/fhir{path}").status_code == 400
    lenient = client.get(f"/fhir{paths[2]}")
    assert lenient.status_code == 200
    links = {link["relation"]: link["url"] for link in resource(lenient)["link"]}
    assert "colour" not in links["self"]
    assert "subject" in links["self"]
    modes = [one["search"]["mode"] for one in resource(lenient)["entry"]]
    assert modes == ["match", "match", "outcome"]
    strict = client.get(f"/fhir{paths[2]}", prefer="handling=strict")
    assert strict.status_code == 400
    none = resource(client.get("/fhir/Observation?_count=0"))
    assert (none["total"], "entry" in none) == (3, False)
    assert [link["relation"] for link in none["link"]] == ["self"]
    assert client.get("/fhir/Observation?_count=-1").status_code == 400
    much = resource(client.get("/fhir/Observation?_count=1000000"))
    (own,) = [link["url"] for link in much["link"] if link["relation"] == "self"]
    assert "_count=1000&" in f"{own}&"
    modified = client.get("/fhir/Observation?code:session")
    assert modified.status_code == 400
    headers = {"content-type": "application/x-www-form-urlencoded"}
    both = client.request(
        "POST",
        "/fhir/Observation/_search?status=final",
        content="subject=Patient/p1",
        headers=headers,
    )
    assert [one["resource"]["id"] for one in resource(both)["entry"]] == ["o1"]
    unknown, broken = client.get("/fhir/Nonsense"), client.post("/fhir/Observation", '{"a":')
    assert (unknown.status_code, broken.status_code) == (404, 400)
    for refused in (strict, modified, unknown, broken):
        assert issues(refused)
        assert not re.search(r"Traceback|SELECT|<html", refused.text)


SCENARIOS: dict[str, Scenario] = {
    "D1": versions_seen,
    "D2": made_once,
    "D4": once_in_a_transaction,
    "D6": dates,
    "D7": escapes,
    "D8": negations,
    "D11": patches,
    "D12": bad_values,
}


@pytest.mark.parametrize("number", SCENARIOS)
def test_case(client: Client, services: Services, number: str) -> None:
    SCENARIOS[number](client, services, case(number))


def test_every_case_of_the_file_is_run() -> None:
    assert set(cases_of("d")) <= set(SCENARIOS)
