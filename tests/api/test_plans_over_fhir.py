"""No road goes round the cautions: a plan sent as resources is judged like a document.

Nor may a programme, whichever way it comes, be about two children.
"""

import json
from base64 import b64encode
from typing import Any

import pytest
import trade_examples
from api_client import Client, issues, resource
from plans_as_resources import as_transaction, read, total

from service.fhir.json import JsonObject, write

OVERRIDE = {
    "caution": "pressure-outside-band",
    "regimen": "opep",
    "author": "Sam Sample",
    "reason": "Measured with a manometer in clinic",
}


def high_pressure() -> JsonObject:
    document = trade_examples.programme(id="meadow-3", override=[OVERRIDE])
    document["regimen"][0]["dose"]["pressure"] = {"low": 10, "high": 35}
    return document


@pytest.fixture
def plan(client: Client) -> JsonObject:
    """A plan whose one caution is overridden, as its CarePlan."""
    filed = client.post("/programmes", high_pressure(), content_type="application/json")
    assert filed.status_code == 201, filed.text
    return read(client, resource(filed)["carePlan"])


def without_override(plan: JsonObject) -> JsonObject:
    kept = [one for one in plan["extension"] if not one["url"].endswith("/caution-override")]
    assert len(kept) == len(plan["extension"]) - 1
    return plan | {"extension": kept}


def assert_refused(answer: Any, place: str) -> None:
    assert answer.status_code == 422, answer.text
    (issue,) = issues(answer)
    assert issue["code"] == "business-rule"
    assert issue["details"]["coding"][0]["code"] == "pressure-outside-band"
    assert issue["expression"] == [place]
    assert "Programme.regimen[0].dose.pressure" in issue["diagnostics"]
    assert "add an override" in issue["diagnostics"]


def test_a_transaction_with_an_open_caution_stores_nothing(
    client: Client, plan: JsonObject
) -> None:
    types = ("CarePlan", "ServiceRequest", "DeviceRequest", "Provenance")
    before = [total(client, type_) for type_ in types]
    bundle = as_transaction(client, without_override(plan), "meadow-4")
    assert_refused(client.post("/fhir", bundle), "Bundle.entry[0].resource")
    assert [total(client, type_) for type_ in types] == before
    assert client.get("/programmes/meadow-4").status_code == 404


def test_with_its_override_it_is_the_document_that_was_posted(
    client: Client, plan: JsonObject
) -> None:
    sent = client.post("/fhir", as_transaction(client, plan, "meadow-4"))
    assert sent.status_code == 200, sent.text
    one, other = (resource(client.get(f"/programmes/{id_}")) for id_ in ("meadow-3", "meadow-4"))
    assert other == one | {"id": "meadow-4"}
    assert other["override"] == [OVERRIDE]


def test_an_override_cannot_be_taken_out_of_a_plan_in_force(
    client: Client, plan: JsonObject
) -> None:
    assert_refused(client.put(f"/fhir/CarePlan/{plan['id']}", without_override(plan)), "CarePlan")


def test_an_override_cannot_be_patched_out_of_a_plan_in_force(
    client: Client, plan: JsonObject
) -> None:
    """By either kind of patch, alone, by condition and in a transaction."""
    at = [one["url"].endswith("/caution-override") for one in plan["extension"]].index(True)
    removal = write([{"op": "remove", "path": f"/extension/{at}"}])
    binary = {
        "resourceType": "Binary",
        "contentType": "application/json-patch+json",
        "data": b64encode(removal).decode(),
    }
    url = plan["extension"][at]["url"]
    parts = [
        {"name": "type", "valueCode": "delete"},
        {"name": "path", "valueString": f"CarePlan.extension('{url}')"},
    ]
    walk = {
        "resourceType": "Parameters",
        "parameter": [{"name": "operation", "part": parts}],
    }
    place = f"CarePlan/{plan['id']}"
    condition = f"CarePlan?_id={plan['id']}"
    for address in (place, condition):
        asked = client.send(
            "PATCH",
            f"/fhir/{address}",
            removal.decode(),
            content_type="application/json-patch+json",
        )
        assert_refused(asked, "CarePlan")
        assert_refused(client.send("PATCH", f"/fhir/{address}", walk), "CarePlan")
    for body in (binary, walk):
        entry = {"resource": body, "request": {"method": "PATCH", "url": place}}
        bundle = {"resourceType": "Bundle", "type": "transaction", "entry": [entry]}
        assert_refused(client.post("/fhir", bundle), "Bundle.entry[0].resource")
    assert read(client, place)["meta"]["versionId"] == "1"


def test_a_request_cannot_be_changed_into_a_caution(client: Client, plan: JsonObject) -> None:
    assert client.put(f"/fhir/CarePlan/{plan['id']}", plan).status_code == 200
    mild = trade_examples.programme(id="meadow-5")
    mild["regimen"][0]["dose"]["pressure"] = {"low": 10, "high": 20}
    filed = client.post("/programmes", mild, content_type="application/json")
    told = resource(filed)["resource"]
    requests = [
        read(client, one["reference"]) for one in told if "ServiceRequest/" in one["reference"]
    ]
    request = next(one for one in requests if "cm[H2O]" in json.dumps(one, default=float))
    stronger = json.loads(json.dumps(request, default=float).replace('"value": 20', '"value": 45'))
    assert stronger != request
    assert_refused(client.put(f"/fhir/ServiceRequest/{request['id']}", stronger), "ServiceRequest")
    assert read(client, f"ServiceRequest/{request['id']}") == request


def test_a_mistake_can_always_be_marked_as_one(client: Client, plan: JsonObject) -> None:
    mistaken = without_override(plan) | {"status": "entered-in-error"}
    assert client.put(f"/fhir/CarePlan/{plan['id']}", mistaken).status_code == 200


def test_a_plan_that_comes_before_its_requests_is_judged_when_they_come(
    client: Client, plan: JsonObject
) -> None:
    bundle = as_transaction(client, without_override(plan), "meadow-6")
    text = json.dumps(bundle)
    for number, entry in enumerate(bundle["entry"]):
        target = f"{entry['resource']['resourceType']}/part-{number}"
        text = text.replace(f'"reference": "{entry["fullUrl"]}"', f'"reference": "{target}"')
    care_plan, *requests = (entry["resource"] for entry in json.loads(text)["entry"])
    sent = client.put("/fhir/CarePlan/part-0", care_plan | {"id": "part-0"})
    assert sent.status_code == 201, sent.text
    answers = [
        client.put(f"/fhir/{one['resourceType']}/part-{n}", one | {"id": f"part-{n}"})
        for n, one in enumerate(requests, start=1)
    ]
    refused = [answer for answer in answers if answer.status_code != 201]
    assert refused, "the one that makes the plan whole"
    for answer in refused:
        assert issues(answer)[0]["details"]["coding"][0]["code"] == "pressure-outside-band"


def test_a_programme_is_about_one_child(client: Client, plan: JsonObject) -> None:
    """Also when the same transaction is sent twice: it would make the child a second time."""
    bundle = as_transaction(client, plan, "meadow-7")
    child = read(client, plan["subject"]["reference"])
    address = "urn:uuid:0c3151bd-1cbf-4d64-b04d-cd9187a4c6ef"
    text = json.dumps(bundle).replace(plan["subject"]["reference"], address)
    bundle = json.loads(text)
    for part in ("id", "meta", "identifier"):
        child.pop(part)
    bundle["entry"].append(
        {
            "fullUrl": address,
            "resource": child,
            "request": {"method": "POST", "url": "Patient"},
        }
    )
    assert client.post("/fhir", bundle).status_code == 200
    children = total(client, "Patient")
    again = client.post("/fhir", bundle)
    assert again.status_code == 422
    (issue,) = issues(again)
    assert issue["diagnostics"].startswith("All plans of programme meadow-7 are about one child")
    assert total(client, "Patient") == children


def _other_zone(plan: JsonObject) -> None:
    zones = [one for one in plan["extension"] if one["url"].endswith("/time-zone")]
    zones[0]["extension"][0]["valueCode"] = "Europe/Nowhere"


def _no_breaths(regimen: JsonObject) -> None:
    dose = next(one for one in regimen["extension"] if one["url"].endswith("/dose"))
    dose["extension"] = [one for one in dose["extension"] if one["url"] != "breaths"]


@pytest.mark.parametrize(
    ("type_", "spoil", "key", "place"),
    [
        ("CarePlan", _other_zone, "unknown-zone", "Programme.timeZone[0].zone"),
        ("ServiceRequest", _no_breaths, "dose-part-missing", "Programme.regimen[0].dose"),
    ],
)
def test_a_plan_that_nobody_can_follow_is_refused_whichever_way_it_comes(
    client: Client, plan: JsonObject, type_: str, spoil: Any, key: str, place: str
) -> None:
    bundle = as_transaction(client, plan, "meadow-6")
    entry = next(one for one in bundle["entry"] if one["resource"]["resourceType"] == type_)
    spoil(entry["resource"])
    before = total(client, "CarePlan")
    answer = client.post("/fhir", bundle)
    assert answer.status_code == 422, answer.text
    assert [one["details"]["coding"][0]["code"] for one in issues(answer)] == [key]
    assert place in issues(answer)[0]["diagnostics"]
    assert total(client, "CarePlan") == before
