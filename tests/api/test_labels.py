"""$meta, $meta-add and $meta-delete (R4 operations Resource-meta, -meta-add, -meta-delete)."""

from typing import Any

import pytest
from api_client import Client, issues, resource

HOME = {"system": "https://clinic.example/tag", "code": "home"}
SECRET = {"system": "http://terminology.hl7.org/CodeSystem/v3-Confidentiality", "code": "R"}


def parameters(**meta: Any) -> dict[str, Any]:
    return {"resourceType": "Parameters", "parameter": [{"name": "meta", "valueMeta": meta}]}


def meta(answer: Any) -> Any:
    assert answer.status_code == 200, answer.text
    parts = resource(answer).get("parameter", [])
    assert [part["name"] for part in parts] in (["return"], []), "none where there is no label"
    return parts[0]["valueMeta"] if parts else {}


@pytest.fixture
def flag(client: Client) -> str:
    made = client.put("/fhir/Patient/p1", {"resourceType": "Patient", "id": "p1"})
    assert made.status_code == 201, made.text
    return "/fhir/Patient/p1"


def test_labels_are_added_once_and_make_a_version(client: Client, flag: str) -> None:
    """R4 leaves it open whether a version is made; here one is (ours), and only for a change."""
    added = client.post(f"{flag}/$meta-add", parameters(tag=[HOME], security=[SECRET]))
    assert (meta(added)["tag"], meta(added)["security"]) == ([HOME], [SECRET])
    assert added.headers["etag"] == 'W/"2"'
    again = client.post(f"{flag}/$meta-add", parameters(tag=[HOME | {"display": "At home"}]))
    assert meta(again)["tag"] == [HOME]
    assert again.headers["etag"] == 'W/"2"', "nothing changed"
    assert client.ids(f"Patient?_tag={HOME['system']}|home") == ["p1"]


def test_labels_are_taken_away_and_it_is_no_error_when_they_are_not_there(
    client: Client, flag: str
) -> None:
    client.post(f"{flag}/$meta-add", parameters(tag=[HOME]))
    gone = meta(client.post(f"{flag}/$meta-delete", parameters(tag=[HOME, SECRET])))
    assert "tag" not in gone
    assert gone["versionId"] == "3"
    assert client.ids(f"Patient?_tag={HOME['system']}|home") == []


def test_a_resource_shows_its_metadata_and_a_type_the_labels_in_use(
    client: Client, flag: str
) -> None:
    client.post(f"{flag}/$meta-add", parameters(tag=[HOME], profile=["https://x.example/p"]))
    own = meta(client.get(f"{flag}/$meta"))
    assert own == resource(client.get(flag))["meta"]
    of_type = {"tag": [HOME], "profile": ["https://x.example/p"]}
    assert meta(client.get("/fhir/Patient/$meta")) == of_type
    assert meta(client.get("/fhir/Observation/$meta")) == {}
    assert meta(client.post("/fhir/$meta", "")) == of_type


def test_who_changes_labels_is_asked_for_the_version_he_saw_like_any_writer(
    client: Client, flag: str
) -> None:
    late = client.post(f"{flag}/$meta-add", parameters(tag=[HOME]), if_match='W/"7"')
    assert (late.status_code, issues(late)[0]["code"]) == (412, "conflict")
    assert client.post("/fhir/Patient/none/$meta-add", parameters(tag=[HOME])).status_code == 404


@pytest.mark.parametrize(
    "body",
    [
        {"resourceType": "Patient"},
        {"resourceType": "Parameters"},
        {"resourceType": "Parameters", "parameter": [{"name": "meta", "valueString": "x"}]},
        {"resourceType": "Parameters", "parameter": [{"name": "other", "valueMeta": {}}]},
        {"resourceType": "Parameters", "parameter": [{"name": "meta", "valueMeta": {"tag": 1}}]},
    ],
)
def test_anything_but_one_meta_is_refused(client: Client, flag: str, body: Any) -> None:
    answer = client.post(f"{flag}/$meta-add", body)
    assert answer.status_code == 400
    assert issues(answer)[0]["severity"] == "error"
    assert resource(client.get(flag))["meta"]["versionId"] == "1"
