"""$everything of a child (R4 operation Patient-everything, compartmentdefinition-patient.html)."""

from typing import Any

import pytest
from api_client import BASE, Client, issues, places, resource
from findable import clinic, observation, pages, put_all

pytestmark = pytest.mark.engines


@pytest.fixture
def full(client: Client) -> Client:
    put_all(
        client,
        *clinic(),
        observation("o4", effectiveDateTime="2031-04-01", device={"reference": "Device/dev1"}),
        observation("o5", performer=[{"reference": "Patient/p2"}]),
        {"resourceType": "Device", "id": "dev1", "deviceName": [{"name": "mask", "type": "other"}]},
    )
    return client


def found(client: Client, query: str = "") -> dict[str, list[str]]:
    answer = client.get(f"/fhir/Patient/p1/$everything{query}")
    assert answer.status_code == 200, answer.text
    bundle = resource(answer)
    assert bundle["type"] == "searchset"
    by_mode: dict[str, list[str]] = {}
    for entry in bundle.get("entry", []):
        one = entry["resource"]
        if one["resourceType"] != "Provenance":
            name = f"{one['resourceType']}/{one['id']}"
            by_mode.setdefault(entry["search"]["mode"], []).append(name)
    return by_mode


def test_everything_is_the_child_what_is_about_it_and_what_that_needs(full: Client) -> None:
    everything = found(full)
    assert everything["match"] == [
        "Patient/p1",
        "Observation/o1",
        "Observation/o2",
        "Observation/o4",
        "Observation/o5",
        "ServiceRequest/r1",
    ]
    assert sorted(everything["include"]) == [
        "Device/dev1",
        "Organization/desk",
        "Organization/ward",
        "Practitioner/d1",
    ]


def test_another_child_never_comes_along(full: Client) -> None:
    """o5 was observed by another patient: that one is named, and stays where it is."""
    everything = found(full)
    assert not {"Patient/p2", "Observation/o3"} & {
        name for names in everything.values() for name in names
    }


@pytest.mark.parametrize(
    ("asked", "observations"),
    [
        ("?start=2031-03-02", ["o1", "o2", "o4", "o5"]),
        ("?start=2031-03-03", ["o1", "o4", "o5"]),
        ("?end=2031-03-31", ["o1", "o2", "o5"]),
        ("?start=2031-04-01&end=2031-04-01", ["o1", "o4", "o5"]),
    ],
)
def test_days_are_of_care_and_what_says_no_day_is_always_there(
    full: Client, asked: str, observations: list[str]
) -> None:
    names = found(full, asked)["match"]
    assert [f"Observation/{one}" for one in observations] == [
        name for name in names if name.startswith("Observation")
    ]
    assert "Patient/p1" in names


def test_types_are_chosen_of_what_comes_along_too(full: Client) -> None:
    assert found(full, "?_type=ServiceRequest,Practitioner") == {
        "match": ["ServiceRequest/r1"],
        "include": ["Practitioner/d1"],
    }
    assert found(full, "?_type=ServiceRequest&_type=Patient")["match"] == [
        "Patient/p1",
        "ServiceRequest/r1",
    ]


def test_since_is_the_time_of_writing(full: Client, clock: Any) -> None:
    clock.move(hours=1)
    later = clock()
    changed = observation("o2", effectiveDateTime="2031-03-02", status="amended")
    assert full.put("/fhir/Observation/o2", changed).status_code == 200
    since = later.isoformat().replace("+00:00", "Z")
    assert found(full, f"?_since={since}")["match"] == ["Observation/o2"]


@pytest.mark.parametrize("count", [1, 2, 4])
def test_pages_hold_everything_once_with_what_each_needs(full: Client, count: int) -> None:
    path = (
        f"/fhir/Patient/p1/$everything?_count={count}&_type=Observation,ServiceRequest,Practitioner"
    )
    names = []
    for page in pages(full, path):
        entries = [entry for entry in page["entry"] if entry["search"]["mode"] == "match"]
        assert len(entries) <= count
        names += [entry["resource"]["id"] for entry in entries]
        others = [e["resource"]["id"] for e in page["entry"] if e["search"]["mode"] == "include"]
        assert others == (["d1"] if names[-1] == "r1" else [])
    assert names == ["o1", "o2", "o4", "o5", "r1"]


def test_parameters_come_in_a_body_too(full: Client) -> None:
    body = {
        "resourceType": "Parameters",
        "parameter": [
            {"name": "_type", "valueCode": "ServiceRequest"},
            {"name": "end", "valueDate": "2031-05-01"},
        ],
    }
    answer = full.post("/fhir/Patient/p1/$everything", body)
    assert answer.status_code == 200, answer.text
    assert resource(answer)["link"][0]["url"] == (
        f"{BASE}/Patient/p1/$everything?_type=ServiceRequest&end=2031-05-01&_count=1000"
    )


@pytest.mark.parametrize(
    ("asked", "place"),
    [
        ("start=2031-3-1", "http.start"),
        ("end=2031-02-30", "http.end"),
        ("_since=2031-03-01", "http._since"),
        ("_type=Nonsense", "http._type"),
        ("_count=x", "http._count"),
        ("colour=blue", "http.colour"),
    ],
)
def test_what_cannot_be_read_is_refused(full: Client, asked: str, place: str) -> None:
    answer = full.get(f"/fhir/Patient/p1/$everything?{asked}")
    assert (answer.status_code, places(answer)) == (400, [place])


def test_a_child_that_is_not_here_has_nothing(full: Client) -> None:
    assert full.get("/fhir/Patient/none/$everything").status_code == 404
    full.delete("/fhir/Patient/p2")
    gone = full.get("/fhir/Patient/p2/$everything")
    assert (gone.status_code, issues(gone)[0]["code"]) == (410, "deleted")


def test_whatever_is_in_the_compartment_comes_along(client: Client) -> None:
    """R4 compartmentdefinition-patient.html, each with the least that R4 demands of its type."""
    child = {"reference": "Patient/p1"}
    about_the_child = [
        {"resourceType": "Task", "status": "requested", "intent": "order", "for": child},
        {"resourceType": "Flag", "status": "active", "code": {"text": "x"}, "subject": child},
        {"resourceType": "List", "status": "current", "mode": "working", "subject": child},
        {"resourceType": "DetectedIssue", "status": "final", "patient": child},
        {"resourceType": "Communication", "status": "completed", "subject": child},
        {
            "resourceType": "DocumentReference",
            "status": "current",
            "subject": child,
            "content": [{"attachment": {"contentType": "text/plain", "data": "aGk="}}],
        },
        {"resourceType": "QuestionnaireResponse", "status": "completed", "subject": child},
        {
            "resourceType": "Group",
            "type": "person",
            "actual": True,
            "member": [{"entity": child}],
        },
    ]
    put_all(client, *clinic(), *(one | {"id": "x"} for one in about_the_child))
    names = {f"{one['resourceType']}/x" for one in about_the_child}
    assert names <= set(found(client)["match"])
    for type_ in {one["resourceType"] for one in about_the_child} - {"Task"}:
        # Tasks are in no patient's compartment by R4.
        assert client.ids(f"Patient/p1/{type_}") == ["x"]
        assert client.ids(f"Patient/p2/{type_}") == []
