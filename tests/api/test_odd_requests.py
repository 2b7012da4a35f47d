"""Requests that once did harm: found by clients over a socket and by the fuzzer."""

from typing import Any

import pytest
from api_client import Client, issues, resource
from set_clock import Clock

from service.api.services import Services

PATIENT: dict[str, Any] = {"resourceType": "Patient", "id": "p", "name": [{"family": "Quill"}]}


def test_a_code_that_is_an_object_is_a_finding(client: Client) -> None:
    population = "http://terminology.hl7.org/CodeSystem/measure-population"
    coding = {"system": population, "code": {}}
    report = {
        "resourceType": "MeasureReport",
        "group": [{"population": [{"code": {"coding": [coding]}}]}],
    }
    answer = client.post("/fhir/MeasureReport", report)
    assert answer.status_code == 422
    place = "MeasureReport.group[0].population[0].code.coding[0].code"
    assert place in [issue["expression"][0] for issue in issues(answer)]


def test_a_patch_that_makes_nonsense_of_meta_is_refused(client: Client) -> None:
    client.put("/fhir/Patient/p", PATIENT)
    change = [{"op": "add", "path": "/meta", "value": 0}]
    answer = client.send(
        "PATCH", "/fhir/Patient/p", change, content_type="application/json-patch+json"
    )
    assert answer.status_code == 422
    assert client.get("/fhir/Patient/p").headers["etag"] == 'W/"1"'


def test_what_is_repeated_of_a_request_is_an_r4_string(client: Client) -> None:
    """R4 datatypes.html#string: no control characters but tab, carriage return and line feed."""
    (issue,) = issues(client.get("/fhir/Device?_total=%00"))
    assert "\ufffd" in issue["diagnostics"]
    assert "\x00" not in issue["diagnostics"]
    warned = resource(client.get("/fhir/Patient?a%07b=c"))["entry"][0]["resource"]["issue"][0]
    assert "\x07" not in warned["diagnostics"] + warned["expression"][0]


def test_where_nothing_is_labelled_no_label_is_returned(client: Client) -> None:
    """An empty valueMeta is no FHIR JSON, and a parameter has a value (inv-1)."""
    assert resource(client.get("/fhir/Condition/$meta")) == {"resourceType": "Parameters"}


def test_links_are_uris_whatever_was_asked(client: Client) -> None:
    answer = resource(client.get("/fhir/Patient/a%20b/Observation"))
    (link,) = answer["link"]
    assert link["url"].partition("?")[0].endswith("/fhir/Patient/a%20b/Observation")


def test_elements_may_name_the_resource_type(client: Client) -> None:
    client.put("/fhir/Patient/p", PATIENT | {"gender": "other"})
    found = resource(client.get("/fhir/Patient?_elements=resourceType,id,name"))
    assert found["entry"][0]["resource"].keys() == {"resourceType", "id", "meta", "name"}


@pytest.mark.parametrize("where", ["Patient/p/CarePlan", "Patient/p/*"])
def test_a_compartment_is_searched_by_form(client: Client, where: str) -> None:
    client.put("/fhir/Patient/p", PATIENT)
    plan = {"resourceType": "CarePlan", "id": "c", "status": "active", "intent": "plan"}
    client.put("/fhir/CarePlan/c", plan | {"subject": {"reference": "Patient/p"}})
    form = {"content-type": "application/x-www-form-urlencoded"}
    body = b"_lastUpdated=gt2000"
    found = client.request("POST", f"/fhir/{where}/_search", content=body, headers=form)
    assert "c" in [entry["resource"]["id"] for entry in resource(found)["entry"]]


def test_nothing_is_taken_out_of_a_text(client: Client) -> None:
    """A JSON Patch whose first operation leaves no resource but a word."""
    client.put("/fhir/Patient/p", PATIENT)
    change = [
        {"op": "copy", "from": "/name/0/family", "path": ""},
        {"op": "remove", "path": "/name"},
    ]
    answer = client.send(
        "PATCH", "/fhir/Patient/p", change, content_type="application/json-patch+json"
    )
    assert answer.status_code == 422


def test_a_negative_zero_is_read_back_as_one(client: Client) -> None:
    body = (
        '{"resourceType":"Observation","status":"final","code":{"text":"x"},'
        '"valueQuantity":{"value":-0}}'
    )
    assert b'"value":-0}' in client.post("/fhir/Observation", body).content
    assert client.post("/fhir/Observation", body.replace("Quantity", "Integer")).status_code == 422


def test_a_question_that_asks_about_an_object_is_a_finding(services: Services) -> None:
    item = {"linkId": "1", "type": "boolean", "enableWhen": [{"question": {}}]}
    found = services.validator.validate({"resourceType": "Questionnaire", "item": [item]})
    assert "Questionnaire.item[0].enableWhen[0].question" in [one.expression for one in found]


def test_an_entry_says_when_as_its_resource_does(client: Client, clock: Clock) -> None:
    """R4 Bundle.entry.response.lastModified matches meta.lastUpdated, if a resource is included."""
    clock.move(milliseconds=250)
    client.put("/fhir/Patient/p", PATIENT)
    batch = {
        "resourceType": "Bundle",
        "type": "batch",
        "entry": [{"request": {"method": "GET", "url": "Patient/p"}}],
    }
    (entry,) = resource(client.post("/fhir", batch))["entry"]
    assert entry["response"]["lastModified"] == entry["resource"]["meta"]["lastUpdated"]


def test_what_is_allowed_names_head_beside_get(client: Client) -> None:
    allowed = client.request("OPTIONS", "/fhir/Patient/p").headers["allow"]
    assert set(allowed.split(", ")) == {"GET", "HEAD", "PUT", "PATCH", "DELETE"}
