"""The safety screen before a programme is accepted, on every road that a programme can take."""

from copy import deepcopy
from pathlib import Path
from typing import Any

import httpx
import pytest
from api_client import Client, issues, resource
from plans_as_resources import as_transaction, read, total
from programme_documents import CHILD, changed_dose, programme
from served_process import served

from service.fhir.json import JsonObject

BASE = "https://airway-programmes.example/fhir"
FORM = f"{BASE}/Questionnaire/airway-safety-screen|0.1.0"
BY = {"name": {"text": "Elm Rowan"}}
PNEUMOTHORAX = "precaution-untreated-pneumothorax"
OVERRIDE = {
    "caution": PNEUMOTHORAX,
    "regimen": "opep",
    "author": "Ash Birch",
    "reason": "Drained yesterday; agreed with the ward",
}


def screen(date: str = "2031-02-27", **answers: str) -> JsonObject:
    asked = {"untreated-pneumothorax": "no", "nausea": "no"}
    asked |= {code.replace("_", "-"): answer for code, answer in answers.items()}
    return {"date": date, "by": BY, "answer": asked}


def response(patient: str, date: str = "2031-02-27", **answers: str) -> JsonObject:
    """The same as another system writes it: the name of who asked, no resource."""
    answered = [
        {
            "linkId": code.replace("_", "-"),
            "answer": [
                {"valueCoding": {"system": f"{BASE}/CodeSystem/airway-screen-answer", "code": one}}
            ],
        }
        for code, one in answers.items()
    ]
    return {
        "resourceType": "QuestionnaireResponse",
        "questionnaire": FORM,
        "status": "completed",
        "subject": {"reference": patient},
        "authored": date,
        "author": {"type": "Practitioner", "display": "Ward nurse"},
        "item": answered,
    }


def keys(answer: Any) -> list[str]:
    """Keys of the issues of an answer; those that only inform have none."""
    told = [one for one in resource(answer).get("issue", []) if "details" in one]
    return [one["details"]["coding"][0]["code"] for one in told]


def child_of(client: Client) -> str:
    (id_,) = client.ids("Patient?identifier=https://clinic.example/children|7")
    return f"Patient/{id_}"


def known_child(client: Client) -> str:
    made = client.post("/fhir/Patient", {"resourceType": "Patient", **fhir_child()})
    assert made.status_code == 201, made.text
    return f"Patient/{resource(made)['id']}"


def fhir_child() -> JsonObject:
    return {"identifier": CHILD["identifier"], "birthDate": CHILD["birthDate"]}


# -- on the service as it is started ------------------------------------------------------------


def test_refused_without_and_accepted_with_an_override_on_the_served_process(
    tmp_path: Path,
) -> None:
    with served(str(tmp_path / "record.sqlite"), tmp_path) as address:

        def post(document: JsonObject) -> httpx.Response:
            text = document | {"regimen": deepcopy(document["regimen"])}
            text["regimen"][0]["dose"]["hold"] = 2.5
            return httpx.post(f"{address}/programmes", json=text)

        refused = post(programme(screen=screen(untreated_pneumothorax="yes")))
        assert refused.status_code == 422, refused.text
        (issue,) = refused.json()["issue"]
        assert issue["details"]["coding"][0]["code"] == PNEUMOTHORAX
        assert issue["expression"] == ["Programme.regimen[0].technique"]
        for words in ("untreated pneumothorax", "2031-02-27", "AARC 1993", "override", "clinician"):
            assert words in issue["diagnostics"]
        assert httpx.get(f"{address}/programmes/meadow-7").status_code == 404
        made = post(programme(screen=screen(untreated_pneumothorax="yes"), override=[OVERRIDE]))
        assert made.status_code == 201, made.text
        shown = [one["details"]["coding"][0]["code"] for one in made.json()["issue"]]
        assert PNEUMOTHORAX in shown
        kept = httpx.get(f"{address}/programmes/meadow-7").json()
        assert kept["override"] == [OVERRIDE]
        assert kept["screen"] == screen(untreated_pneumothorax="yes")
        found = httpx.get(f"{address}/fhir/QuestionnaireResponse?questionnaire={FORM}").json()
        (answers,) = [entry["resource"] for entry in found["entry"]]
        assert answers["item"][0]["linkId"] == "untreated-pneumothorax"


# -- as a document ------------------------------------------------------------------------------


def test_what_was_not_asked_is_said_and_refuses_nothing(client: Client) -> None:
    made = client.post("/programmes", programme(screen=screen()))
    assert made.status_code == 201, made.text
    told = {one["details"]["coding"][0]["code"]: one for one in resource(made)["issue"]}
    assert told.keys() == {"screen-unknown", "precaution-young-age"}
    assert "active-haemoptysis" in told["screen-unknown"]["diagnostics"]
    assert "nausea" not in told["screen-unknown"]["diagnostics"]
    assert told["screen-unknown"]["severity"] == "warning"


def test_a_screen_is_kept_once_and_never_rewritten(client: Client) -> None:
    """It happened once: a changed plan refers to the same answers."""
    first = client.post("/programmes", programme(screen=screen()))
    (response_id,) = client.ids("QuestionnaireResponse")
    again = client.put(
        "/programmes/meadow-7", changed_dose(screen=screen()), if_match=first.headers["etag"]
    )
    assert again.status_code == 201, again.text
    assert client.ids("QuestionnaireResponse") == [response_id]
    assert read(client, f"QuestionnaireResponse/{response_id}")["meta"]["versionId"] == "1"
    plan = read(client, resource(again)["carePlan"])
    assert [one["reference"] for one in plan["supportingInfo"]] == [
        f"QuestionnaireResponse/{response_id}"
    ]
    assert resource(client.get("/programmes/meadow-7/versions/2"))["screen"] == screen()
    asked_again = changed_dose(screen=screen("2031-03-09", nausea="yes"))
    refused = client.put("/programmes/meadow-7", asked_again, if_match=again.headers["etag"])
    assert keys(refused) == ["precaution-nausea"]
    assert client.ids("QuestionnaireResponse") == [response_id]


def test_what_others_added_to_the_plan_stays_beside_the_screen(client: Client) -> None:
    made = client.post("/programmes", programme(screen=screen()))
    plan = read(client, resource(made)["carePlan"])
    other_form = client.post(
        "/fhir/QuestionnaireResponse",
        {
            "resourceType": "QuestionnaireResponse",
            "status": "completed",
            "questionnaire": "https://ward.example/Questionnaire/sleep",
            "subject": plan["subject"],
        },
    )
    theirs = {"reference": f"QuestionnaireResponse/{resource(other_form)['id']}"}
    plan["supportingInfo"].insert(0, theirs)
    assert client.put(f"/fhir/CarePlan/{plan['id']}", plan).status_code == 200
    tag = client.get("/programmes/meadow-7").headers["etag"]
    later = screen("2031-03-08")
    changed = client.put("/programmes/meadow-7", changed_dose(screen=later), if_match=tag)
    assert changed.status_code == 201, changed.text
    links = read(client, resource(changed)["carePlan"])["supportingInfo"]
    assert links[0] == theirs
    assert links[1]["reference"] != plan["supportingInfo"][1]["reference"]
    assert len(links) == 2


@pytest.mark.parametrize("named", ["another child's", "another form", "nothing"])
def test_a_reference_must_lead_to_a_screen_of_the_child(client: Client, named: str) -> None:
    patient = known_child(client)
    other = client.post("/fhir/Patient", {"resourceType": "Patient"})
    sent = response(patient, nausea="no")
    if named == "another child's":
        sent["subject"] = {"reference": f"Patient/{resource(other)['id']}"}
    if named == "another form":
        sent["questionnaire"] = "https://ward.example/Questionnaire/sleep"
    made = client.post("/fhir/QuestionnaireResponse", sent)
    assert made.status_code == 201, made.text
    id_ = "nowhere" if named == "nothing" else resource(made)["id"]
    asked = programme(screen={"reference": f"QuestionnaireResponse/{id_}"})
    refused = client.post("/programmes", asked)
    assert refused.status_code == 422
    assert [one["expression"] for one in issues(refused)] == [["Programme.screen.reference"]]


def test_a_screen_that_is_referred_to_comes_back_as_the_reference(client: Client) -> None:
    made = client.post("/fhir/QuestionnaireResponse", response(known_child(client), nausea="no"))
    reference = {"reference": f"QuestionnaireResponse/{resource(made)['id']}"}
    filed = client.post("/programmes", programme(screen=reference))
    assert filed.status_code == 201, filed.text
    assert "screen-missing" not in keys(filed)
    assert resource(client.get("/programmes/meadow-7"))["screen"] == reference


# -- what the record knows ----------------------------------------------------------------------


def test_answers_in_the_record_count_for_a_document_without_them(client: Client) -> None:
    patient = known_child(client)
    sent = response(patient, untreated_pneumothorax="yes")
    assert client.post("/fhir/QuestionnaireResponse", sent).status_code == 201
    refused = client.post("/programmes", programme())
    assert refused.status_code == 422
    assert keys(refused) == [PNEUMOTHORAX]
    later = response(patient, "2031-02-28", untreated_pneumothorax="no")
    assert client.post("/fhir/QuestionnaireResponse", later).status_code == 201
    assert client.post("/programmes", programme()).status_code == 201


@pytest.mark.parametrize("status", ["in-progress", "entered-in-error", "stopped"])
def test_answers_that_are_not_completed_do_not_count(client: Client, status: str) -> None:
    sent = response(known_child(client), untreated_pneumothorax="yes") | {"status": status}
    assert client.post("/fhir/QuestionnaireResponse", sent).status_code == 201
    made = client.post("/programmes", programme())
    assert made.status_code == 201
    assert "screen-missing" in keys(made)


def test_a_screen_that_is_corrected_later_judges_no_plan_again_and_is_told(
    client: Client,
) -> None:
    """The plan stays as it was accepted; whoever looks before acting, or changes it, is told."""
    made = client.post("/programmes", programme(screen=screen()))
    plan = read(client, resource(made)["carePlan"])
    (id_,) = client.ids("QuestionnaireResponse")
    answers = read(client, f"QuestionnaireResponse/{id_}")
    answers["item"][0]["answer"][0]["valueCoding"]["code"] = "yes"
    corrected = client.put(f"/fhir/QuestionnaireResponse/{id_}", answers | {"status": "amended"})
    assert corrected.status_code == 200, corrected.text
    assert read(client, f"CarePlan/{plan['id']}") == plan
    told = resource(client.get("/programmes/meadow-7/cautions"))
    assert (told["id"], told["version"], told["carePlan"]) == (
        "meadow-7", 1, f"CarePlan/{plan['id']}",
    )  # fmt: skip
    first = told["issue"][0]
    assert first["severity"] == "warning"
    assert first["details"]["coding"][0]["code"] == PNEUMOTHORAX
    assert "No override answers it" in first["diagnostics"]
    document = resource(client.get("/programmes/meadow-7"))
    assert document["screen"]["answer"]["untreated-pneumothorax"] == "yes"
    stale = client.put(
        "/programmes/meadow-7", changed_dose(screen=screen()), if_match=made.headers["etag"]
    )
    assert stale.status_code == 412, "who knows the former answers has to look again"
    tag = client.get("/programmes/meadow-7").headers["etag"]
    changed = changed_dose(screen=document["screen"])
    refused = client.put("/programmes/meadow-7", changed, if_match=tag)
    assert keys(refused) == [PNEUMOTHORAX]
    answered = client.put("/programmes/meadow-7", changed | {"override": [OVERRIDE]}, if_match=tag)
    assert answered.status_code == 201, answered.text


def test_a_plan_can_be_held_whatever_a_screen_says(client: Client) -> None:
    made = client.post("/programmes", programme())
    sent = response(child_of(client), untreated_pneumothorax="yes")
    assert client.post("/fhir/QuestionnaireResponse", sent).status_code == 201
    plan = read(client, resource(made)["carePlan"])
    held = client.put(f"/fhir/CarePlan/{plan['id']}", plan | {"status": "on-hold"})
    assert held.status_code == 200, held.text
    again = client.put(f"/fhir/CarePlan/{plan['id']}", plan | {"status": "active"})
    assert again.status_code == 422
    assert keys(again) == [PNEUMOTHORAX]


# -- as plain FHIR ------------------------------------------------------------------------------


def test_a_plan_sent_as_resources_is_held_against_the_screen_too(client: Client) -> None:
    document = programme(screen=screen(untreated_pneumothorax="yes"), override=[OVERRIDE])
    made = client.post("/programmes", document)
    plan = read(client, resource(made)["carePlan"])
    bare = deepcopy(plan)
    bare["extension"] = [e for e in plan["extension"] if not e["url"].endswith("override")]
    before = total(client, "CarePlan")
    refused = client.post("/fhir", as_transaction(client, bare, "meadow-4"))
    assert refused.status_code == 422, refused.text
    (issue,) = issues(refused)
    assert issue["details"]["coding"][0]["code"] == PNEUMOTHORAX
    assert issue["expression"] == ["Bundle.entry[0].resource"]
    assert "Programme.regimen[0].technique of " in issue["diagnostics"]
    assert "AARC 1993" in issue["diagnostics"]
    assert total(client, "CarePlan") == before
    accepted = client.post("/fhir", as_transaction(client, plan, "meadow-4"))
    assert accepted.status_code == 200, accepted.text


def test_answers_that_come_in_the_same_transaction_count(client: Client) -> None:
    made = client.post("/programmes", programme())
    plan = read(client, resource(made)["carePlan"])
    bundle = as_transaction(client, plan, "meadow-7b")
    sent = response(plan["subject"]["reference"], untreated_pneumothorax="yes")
    bundle["entry"].append(
        {"resource": sent, "request": {"method": "POST", "url": "QuestionnaireResponse"}}
    )
    refused = client.post("/fhir", bundle)
    assert refused.status_code == 422
    assert keys(refused) == [PNEUMOTHORAX]
    assert client.ids("QuestionnaireResponse") == []
