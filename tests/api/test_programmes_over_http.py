"""Programme documents over HTTP: post, read, change with If-Match, versions, schemas."""

from decimal import Decimal

import jsonschema
import pytest
from api_client import ADDRESS, Client, issues, places, resource
from programme_documents import OVERRIDE, TOO_YOUNG, changed_dose, programme
from set_clock import Clock

from service.fhir.json import JsonObject


def search_total(client: Client, type_: str) -> int:
    total: int = resource(client.get(f"/fhir/{type_}?_count=0"))["total"]
    return total


def test_a_posted_programme_answers_ids_and_tags_and_can_be_read(client: Client) -> None:
    made = client.post("/programmes", programme(), content_type="application/json")
    assert made.status_code == 201, made.text
    assert made.headers["location"] == f"{ADDRESS}/programmes/meadow-7/versions/1"
    answer = resource(made)
    assert (answer["id"], answer["version"]) == ("meadow-7", 1)
    references = {one["reference"].split("/")[0] for one in answer["resource"]}
    assert references == {"CarePlan", "ServiceRequest", "DeviceRequest", "Goal"}
    assert {one["versionTag"] for one in answer["resource"]} == {'W/"1"'}
    read = client.get("/programmes/meadow-7")
    assert read.status_code == 200
    assert read.headers["content-type"] == "application/json"
    assert read.headers["etag"] == made.headers["etag"]
    assert read.headers["content-location"] == "/programmes/meadow-7/versions/1"
    document = resource(read)
    assert document["regimen"][0]["dose"]["hold"] == Decimal("2.50")
    assert b'"hold":2.50' in read.content
    assert search_total(client, "Provenance") == 1


def test_every_resource_of_a_programme_is_found_by_fhir_search(client: Client) -> None:
    client.post("/programmes", programme())
    system = "https://airway-programmes.example/fhir/programme"
    assert len(client.ids(f"CarePlan?identifier={system}|meadow-7")) == 1
    patient = client.ids("Patient?identifier=https://clinic.example/children|7")[0]
    assert len(client.ids(f"ServiceRequest?subject=Patient/{patient}")) == 3


def test_a_change_needs_the_tag_of_the_latest_version(client: Client, clock: Clock) -> None:
    first = client.post("/programmes", programme()).headers["etag"]
    assert client.put("/programmes/meadow-7", changed_dose()).status_code == 428
    clock.move(minutes=5)
    changed = client.put("/programmes/meadow-7", changed_dose(), if_match=first)
    assert changed.status_code == 201, changed.text
    assert changed.headers["location"].endswith("/programmes/meadow-7/versions/2")
    late = client.put("/programmes/meadow-7", changed_dose(), if_match=first)
    assert late.status_code == 412
    assert issues(late)[0]["code"] == "conflict"
    again = client.put("/programmes/meadow-7", changed_dose(), if_match=changed.headers["etag"])
    assert again.status_code == 200, "the same document changes nothing"
    rows = resource(client.get("/programmes/meadow-7/versions"))["version"]
    assert [(row["number"], row["status"], row.get("changeReason")) for row in rows] == [
        (1, "completed", None),
        (2, "active", "Tires early"),
    ]
    assert rows[1]["knownSince"] == "2031-03-09T12:05:00+00:00"
    old = resource(client.get("/programmes/meadow-7/versions/1"))
    assert old["regimen"][0]["dose"]["breaths"] == 10


def test_a_wrong_document_is_one_outcome_that_names_every_place(client: Client) -> None:
    document = programme(end="2030-01-01", timeZone=[{"zone": "Europe/Atlantis"}])
    document["regimen"][0]["dose"]["breaths"] = -3
    del document["regimen"][1]["dose"]["minutes"]
    document["regimen"].append(document["regimen"][0] | {"key": "second"})
    document["regimen"].append({"key": "hum", "technique": "humming", "healthState": "any"})
    refused = client.post("/programmes", document)
    assert refused.status_code == 422
    assert set(places(refused)) == {
        "Programme.end",
        "Programme.timeZone[0].zone",
        "Programme.regimen[0].dose.breaths",
        "Programme.regimen[1].dose.minutes",
        "Programme.regimen[2]",
        "Programme.regimen[2].dose.breaths",
        "Programme.regimen[3].technique",
    }
    for type_ in ("Patient", "CarePlan", "ServiceRequest", "Provenance"):
        assert search_total(client, type_) == 0


def test_a_caution_is_refused_without_and_shown_with_an_override(client: Client) -> None:
    refused = client.post("/programmes", programme(child=TOO_YOUNG))
    assert refused.status_code == 422
    (issue,) = issues(refused)
    assert issue["code"] == "business-rule"
    assert issue["expression"] == ["Programme.regimen[0].technique"]
    for word in ("override", "author", "reason", "Local policy", "clinician"):
        assert word in issue["diagnostics"]
    made = client.post("/programmes", programme(child=TOO_YOUNG, override=[OVERRIDE]))
    assert made.status_code == 201
    shown = resource(made)["issue"]
    assert {(one["severity"], one["code"]) for one in shown} == {("warning", "business-rule")}
    keys = [one["details"]["coding"][0]["code"] for one in shown]
    assert keys == ["mouthpiece-under-age", "precaution-young-age", "screen-missing"]
    assert resource(client.get("/programmes/meadow-7"))["override"] == [OVERRIDE]


def test_the_same_programme_posted_again_is_a_conflict(client: Client) -> None:
    client.post("/programmes", programme())
    again = client.post("/programmes", programme())
    assert again.status_code == 409
    assert places(again) == ["Programme.id"]


@pytest.mark.parametrize(
    ("body", "status"),
    [
        ('{"id": "a", "id": "b"}', 400),
        ('{"id": NaN}', 400),
        ("not JSON", 400),
        ("[]", 422),
        ('{"child": 5, "regimen": [null, {"key": []}], "team": {"member": [7]}}', 422),
        ('{"child": {"identifier": [{"system": 1}], "reference": 4}, "start": {}}', 422),
    ],
)
def test_bodies_that_are_no_programme_are_refused_by_name(
    client: Client, body: str, status: int
) -> None:
    refused = client.post("/programmes", body)
    assert refused.status_code == status
    assert issues(refused)
    changed = client.put("/programmes/nobody", body, if_match='W/"1"')
    assert changed.status_code in (status, 404)


def test_another_media_type_is_refused(client: Client) -> None:
    assert client.post("/programmes", programme(), content_type="text/csv").status_code == 415


@pytest.mark.parametrize(
    "path",
    ["/programmes/nobody", "/programmes/nobody/versions", "/programmes/nobody/versions/1"],
)
def test_what_is_not_there_is_not_found(client: Client, path: str) -> None:
    answer = client.get(path)
    assert answer.status_code == 404
    assert issues(answer)[0]["code"] == "not-found"


def test_a_version_that_is_not_there_is_not_found(client: Client) -> None:
    client.post("/programmes", programme())
    assert client.get("/programmes/meadow-7/versions/2").status_code == 404
    assert client.get("/programmes/meadow-7/versions/0").status_code == 404
    assert client.get("/programmes/meadow-7/versions/first").status_code == 400


def test_a_plan_that_may_not_be_interpreted_is_not_shown_as_a_document(client: Client) -> None:
    """R4, extensibility: an unknown modifier extension must not be ignored."""
    made = resource(client.post("/programmes", programme()))
    plan: JsonObject = resource(client.get(f"/fhir/{made['carePlan']}"))
    plan["modifierExtension"] = [{"url": "https://ward.example/not-meant", "valueBoolean": True}]
    assert client.put(f"/fhir/{made['carePlan']}", plan).status_code == 200
    refused = client.get("/programmes/meadow-7")
    assert refused.status_code == 422
    assert "is not understood" in issues(refused)[0]["diagnostics"]


def test_the_schema_takes_the_documents_of_the_tests(client: Client) -> None:
    """By jsonschema, which others wrote."""
    answer = client.get("/schemas/programme")
    assert answer.headers["content-type"] == "application/schema+json"
    schema = answer.json()
    jsonschema.Draft202012Validator.check_schema(schema)
    plain = client.post("/programmes", programme()) and client.get("/programmes/meadow-7").json()
    jsonschema.validate(plain, schema)
    for name in ("session", "health-state", "pause"):
        jsonschema.Draft202012Validator.check_schema(client.get(f"/schemas/{name}").json())
    assert client.get("/schemas/recipe").status_code == 404


def test_the_roads_are_in_the_description_of_the_api(client: Client) -> None:
    described = client.get("/openapi.json").json()["paths"]
    assert set(described["/programmes/{programme_id}"]) == {"get", "put"}
    body = described["/programmes"]["post"]["requestBody"]["content"]["application/json"]
    assert body["schema"] == {"$ref": "/schemas/programme"}
