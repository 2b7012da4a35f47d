"""Includes, summaries, searches of compartments and of the system, and pages while others write.

R4 search.html#include, #summary, #elements, http.html#paging, compartmentdefinition.html.
"""

from itertools import pairwise
from threading import Event, Thread
from typing import Any

import pytest
from api_client import BASE, Client, issues, places, resource
from findable import clinic, observation, pages, put_all

import service.record.includes as including
from service.store.unit import SqlReader

pytestmark = pytest.mark.engines

TAG = {
    "system": "http://terminology.hl7.org/CodeSystem/v3-ObservationValue",
    "code": "SUBSETTED",
}


@pytest.fixture
def full(client: Client) -> Client:
    put_all(client, *clinic())
    return client


def modes(client: Client, query: str) -> dict[str, list[str]]:
    """Type and id of what is found, by search mode; each at most once."""
    answer = client.get(f"/fhir/{query}")
    assert answer.status_code == 200, answer.text
    found: dict[str, list[str]] = {}
    for entry in resource(answer).get("entry", []):
        one = entry["resource"]
        name = "/".join(filter(None, (one["resourceType"], one.get("id"))))
        found.setdefault(entry["search"]["mode"], []).append(name)
    names = [name for some in found.values() for name in some]
    assert len(names) == len(set(names)), "each resource once"
    return found


# -- includes --------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("asked", "comes"),
    [
        ("_include=Observation:based-on", {"ServiceRequest/r1"}),
        ("_include=Observation:subject", {"Patient/p1"}),
        ("_include=Observation:subject:Patient", {"Patient/p1"}),
        ("_include=Observation:subject:Practitioner", set()),
        ("_include=Observation:*", {"ServiceRequest/r1", "Patient/p1"}),
        ("_include=ServiceRequest:requester", set()),
        (
            "_include=Observation:based-on&_include:iterate=ServiceRequest:requester",
            {"ServiceRequest/r1", "Practitioner/d1"},
        ),
        (
            "_include=Observation:subject&_include:iterate=Patient:organization"
            "&_include:iterate=Organization:partof",
            {"Patient/p1", "Organization/desk", "Organization/ward"},
        ),
    ],
)
def test_what_a_match_refers_to_comes_along(full: Client, asked: str, comes: set[str]) -> None:
    found = modes(full, f"Observation?_id=o1,o2&{asked}")
    assert found["match"] == ["Observation/o1", "Observation/o2"]
    assert set(found.get("include", [])) == comes
    assert "outcome" not in found


@pytest.mark.parametrize(
    ("asked", "comes"),
    [
        ("Patient?_id=p2&_revinclude=Observation:subject", {"Observation/o3"}),
        (
            "Patient?_id=p1&_revinclude=Observation:subject:Patient",
            {"Observation/o1", "Observation/o2"},
        ),
        (
            "Practitioner?_revinclude=ServiceRequest:requester&_revinclude:iterate=Observation:based-on",
            {"ServiceRequest/r1", "Observation/o1", "Observation/o2"},
        ),
        ("Practitioner?_revinclude=Observation:based-on", set()),
    ],
)
def test_what_refers_to_a_match_comes_along(full: Client, asked: str, comes: set[str]) -> None:
    assert set(modes(full, asked).get("include", [])) == comes


def test_a_match_is_no_include_and_what_was_deleted_does_not_come(full: Client) -> None:
    found = modes(full, "Organization?_include:iterate=Organization:partof")
    assert found == {"match": ["Organization/ward", "Organization/desk"]}
    full.delete("/fhir/Organization/ward")
    assert modes(full, "Organization?_id=desk&_include=Organization:partof") == {
        "match": ["Organization/desk"]
    }


def test_a_circle_of_references_ends(client: Client) -> None:
    put_all(
        client,
        {
            "resourceType": "Organization",
            "name": "Harbour",
            "id": "a",
            "partOf": {"reference": "Organization/b"},
        },
        {
            "resourceType": "Organization",
            "name": "Harbour",
            "id": "b",
            "partOf": {"reference": "Organization/a"},
        },
    )
    found = modes(client, "Organization?_id=a&_include:iterate=Organization:partof")
    assert found == {"match": ["Organization/a"], "include": ["Organization/b"]}


def test_a_long_way_is_cut_short_and_the_answer_says_so(client: Client) -> None:
    steps = [f"org{number}" for number in range(8)]
    linked = [
        {
            "resourceType": "Organization",
            "name": "Harbour",
            "id": one,
            "partOf": {"reference": f"Organization/{other}"},
        }
        for one, other in pairwise(steps)
    ]
    put_all(client, *linked, {"resourceType": "Organization", "name": "Harbour", "id": steps[-1]})
    found = modes(client, "Organization?_id=org0&_include:iterate=Organization:partof")
    assert len(found["include"]) == including.MOST_STEPS
    assert "outcome" in found


def test_an_include_that_is_not_understood_is_refused(full: Client) -> None:
    for asked in ("Observation:status", "Observation", "Nothing:subject", "Observation:subject:No"):
        answer = full.get(f"/fhir/Observation?_include={asked}")
        assert (answer.status_code, places(answer)) == (400, ["http._include"]), asked


# -- parts -----------------------------------------------------------------------------------------


def test_a_summary_is_of_matches_and_of_what_comes_along(full: Client) -> None:
    answer = resource(
        full.get("/fhir/Observation?_id=o1&_summary=true&_include=Observation:subject")
    )
    one, other = [entry["resource"] for entry in answer["entry"]]
    assert one["meta"]["tag"] == other["meta"]["tag"] == [TAG]
    assert one["valueString"] == "7.50"
    assert answer["link"][0]["url"].count("_summary=true") == 1


def test_named_elements_are_of_matches_only(full: Client) -> None:
    """R4 speaks of the type that is searched; what comes along stays whole (ours)."""
    query = "Observation?_id=o1&_elements=subject&_include=Observation:subject"
    one, other = [entry["resource"] for entry in resource(full.get(f"/fhir/{query}"))["entry"]]
    assert set(one) == {"resourceType", "id", "meta", "status", "code", "subject"}
    assert "tag" not in other["meta"]
    assert "managingOrganization" in other


def test_parts_that_cannot_be_given_are_refused(full: Client) -> None:
    wrong = full.get("/fhir/Observation?_elements=birthDate")
    assert (wrong.status_code, places(wrong)) == (400, ["http._elements"])
    both = full.get("/fhir/Observation?_summary=text&_include=Observation:subject")
    assert (both.status_code, places(both)) == (400, ["http._summary"])
    assert full.get("/fhir/Observation?_summary=some").status_code == 400


# -- compartments and the system -------------------------------------------------------------------


def test_a_compartment_holds_what_is_about_the_child(full: Client) -> None:
    assert full.ids("Patient/p1/Observation") == ["o1", "o2"]
    assert full.ids("Patient/p1/Observation?date=2031-03-02") == ["o2"]
    assert full.ids("Patient/p2/ServiceRequest") == []
    found = modes(full, "Patient/p1/*")["match"]
    assert [one for one in found if not one.startswith("Provenance")] == [
        "Observation/o1",
        "Observation/o2",
        "ServiceRequest/r1",
    ]
    assert modes(full, "Patient/p1/*?_type=ServiceRequest") == {"match": ["ServiceRequest/r1"]}


def test_what_is_in_no_compartment_is_not_asked_there(full: Client) -> None:
    assert full.get("/fhir/Patient/p1/Organization").status_code == 404
    assert full.get("/fhir/Organization/ward/Observation").status_code == 404
    assert full.get("/fhir/Organization/ward/*").status_code == 404
    assert full.get("/fhir/Patient/p1/Nonsense").status_code == 404


def test_several_types_are_searched_at_once(full: Client) -> None:
    answer = resource(full.get("/fhir?_type=Practitioner,ServiceRequest&_total=accurate"))
    assert answer["total"] == 2
    assert answer["link"][0]["url"] == (
        f"{BASE}?_type=Practitioner%2CServiceRequest&_total=accurate&_count=50"
    )
    by_form = full.request("POST", "/fhir/_search", data={"_type": "Practitioner"})
    assert [entry["resource"]["id"] for entry in resource(by_form)["entry"]] == ["d1"]
    for query in ("", "?_type=Nonsense", "?_type=Observation,Patient&_sort=_id"):
        refused = full.get(f"/fhir{query}")
        assert refused.status_code == 400, query
        assert issues(refused)


def test_a_parameter_that_one_type_lacks_is_left_out_for_all(full: Client) -> None:
    """Else it would find every resource of the type that lacks it."""
    found = modes(full, "?_type=Observation,Practitioner&status=amended")
    assert len(found["match"]) == 4
    assert "outcome" in found
    strict = full.get("/fhir?_type=Observation,Patient&status=final", prefer="handling=strict")
    assert (strict.status_code, places(strict)) == (400, ["http.status"])


# -- pages -----------------------------------------------------------------------------------------


@pytest.mark.parametrize("count", [1, 2, 3, 8])
def test_pages_go_on_from_type_to_type(full: Client, count: int) -> None:
    path = f"/fhir?_type=Observation,Organization,Patient,Practitioner&_count={count}"
    found = [entry["resource"]["id"] for page in pages(full, path) for entry in page["entry"]]
    assert found == ["o1", "o2", "o3", "ward", "desk", "p1", "p2", "d1"]


@pytest.mark.parametrize("order", ["", "&_sort=date", "&_sort=-date", "&_sort=status,-_id"])
def test_pages_neither_skip_nor_repeat_while_others_write(client: Client, order: str) -> None:
    """What was there and stays in place comes exactly once, whatever is added meanwhile."""
    there = [f"o{number:02}" for number in range(40)]
    put_all(
        client,
        *(
            observation(one, effectiveDateTime=f"2031-03-{number // 2 + 1:02}")
            if number % 3
            else observation(one)
            for number, one in enumerate(there)
        ),
    )
    stop, written = Event(), []

    def write() -> None:
        while not stop.is_set():
            number = len(written)
            new = observation(f"new{number}", effectiveDateTime=f"2031-03-{number % 28 + 1:02}")
            client.put(f"/fhir/Observation/{new['id']}", new)
            client.put(
                f"/fhir/Observation/{there[7]}",
                observation(there[7], valueInteger=number, effectiveDateTime="2031-03-04"),
            )
            written.append(number)

    writer = Thread(target=write)
    writer.start()
    try:
        seen = [
            entry["resource"]["id"]
            for page in pages(client, f"/fhir/Observation?_count=3{order}")
            for entry in page["entry"]
        ]
    finally:
        stop.set()
        writer.join()
    assert written, "others wrote meanwhile"
    assert sorted(one for one in seen if one in there) == there
    assert len(seen) == len(set(seen))


def test_a_page_link_of_another_search_is_refused(full: Client) -> None:
    for path in (
        "Observation?_page=x",
        "?_type=Patient,Observation&_page=7.",
        "?_type=Patient,Observation&_page=x",
    ):
        assert full.get(f"/fhir/{path}".replace("/?", "?")).status_code == 400


def test_contained_resources_are_not_searched_by_themselves(full: Client) -> None:
    for asked in ("_contained=true", "_contained=both", "_containedType=contained"):
        answer = full.get(f"/fhir/Observation?{asked}")
        assert (answer.status_code, issues(answer)[0]["code"]) == (400, "not-supported")
    assert full.get("/fhir/Observation?_contained=false").status_code == 200


def test_includes_take_as_many_questions_for_many_resources_as_for_few(
    client: Client, monkeypatch: pytest.MonkeyPatch
) -> None:
    asked: list[str] = []
    for name in ("current", "search", "total", "references", "referrers"):
        question = getattr(SqlReader, name)

        def counted(*given: Any, _name: str = name, _ask: Any = question, **named: Any) -> Any:
            asked.append(_name)
            return _ask(*given, **named)

        monkeypatch.setattr(SqlReader, name, counted)
    needed = []
    for count in (1, 30):
        put_all(
            client,
            *({"resourceType": "Patient", "id": f"q{number}"} for number in range(count)),
            *(observation(f"n{number}", patient=f"q{number}") for number in range(count)),
        )
        asked.clear()
        found = modes(client, "Observation?_include=Observation:subject")
        assert len(found["include"]) == count
        needed.append(list(asked))
    assert needed[0] == needed[1] == ["total", "search", "references", "current"]
