"""Technique reviews: sent as Observations or as documents, read and found."""

from typing import Any

import pytest
from api_client import Client, issues, places, resource
from programme_documents import CHILDREN, programme

from service.fhir.json import JsonObject, read, write
from service.resources import profiles_dir

CODE = "https://airway-programmes.example/fhir/CodeSystem/airway-assessment|technique-review"
STEPS = "https://airway-programmes.example/fhir/CodeSystem/airway-review-step"
DOCUMENT = {
    "kind": "technique-review",
    "id": {"system": "https://clinic.example/reviews", "value": "r-20"},
    "source": "clinic-desk",
    "child": {"system": CHILDREN, "value": "7"},
    "technique": "opep",
    "deviceKind": "opep-handheld",
    "date": "2031-03-08T10:20:00+01:00",
    "method": "in-clinic",
    "reviewer": {"name": "Ash Birch"},
    "step": [{"step": "seal", "shown": "seen"}, {"step": "cheeks-firm", "shown": "prompted"}],
}


@pytest.fixture
def patient(client: Client) -> str:
    assert client.post("/programmes", programme()).status_code == 201
    (id_,) = client.ids(f"Patient?identifier={CHILDREN}|7")
    return id_


def observation(patient: str) -> JsonObject:
    """The example of the profile, about this child."""
    example = profiles_dir() / "examples" / "pass" / "technique-review-opep.json"
    sent: JsonObject = read(example.read_bytes())
    del sent["id"]
    return sent | {
        "subject": {"reference": f"Patient/{patient}"},
        "performer": [{"type": "Practitioner", "display": "Ash Birch"}],
    }


def sent(client: Client, *rows: Any) -> list[Any]:
    answer = client.request(
        "POST",
        "/sessions",
        content=b"\n".join(map(write, rows)),
        headers={"content-type": "application/x-ndjson"},
    )
    assert answer.status_code == 200, answer.text
    return [read(line) for line in answer.content.splitlines()]


def test_a_review_sent_as_fhir_is_read_and_found_by_child_and_code(
    client: Client, patient: str
) -> None:
    made = client.post("/fhir/Observation", observation(patient))
    assert made.status_code == 201, made.text
    id_ = resource(made)["id"]
    stored = resource(client.get(f"/fhir/Observation/{id_}"))
    kept = {name: part for name, part in stored.items() if name not in ("id", "meta")}
    assert kept == observation(patient), "as it was sent"
    for query in (
        f"patient={patient}&code={CODE}",
        f"subject=Patient/{patient}&code={CODE}&date=ge2031-05-12&date=lt2031-05-13",
        f"component-code={STEPS}|huff-open-throat",
        "method=in-clinic",
        "identifier=https://clinic.example/reviews|r-17",
    ):
        assert client.ids(f"Observation?{query}") == [id_], query
    assert client.ids(f"Observation?patient={patient}&code={CODE}&date=lt2031-05-12") == []
    everything = resource(client.get(f"/fhir/Patient/{patient}/$everything"))
    assert id_ in {entry["resource"]["id"] for entry in everything["entry"]}


def test_the_profile_holds_whatever_the_review_claims(client: Client, patient: str) -> None:
    review = observation(patient)
    review["component"][3]["valueCodeableConcept"]["coding"][0]["code"] = "nearly"
    refused = client.post("/fhir/Observation", review)
    assert refused.status_code == 422
    assert places(refused) == ["Observation.component[3].value"]
    unseen = {name: part for name, part in observation(patient).items() if name != "performer"}
    refused = client.post("/fhir/Observation", unseen)
    assert refused.status_code == 422
    assert issues(refused)[0]["details"]["coding"][0]["code"] == "cardinality-min"


def test_a_document_is_kept_once_and_amended_by_its_sender(client: Client, patient: str) -> None:
    first, again = (sent(client, DOCUMENT)[0] for _ in range(2))
    assert (first["status"], again["status"]) == ("accepted", "duplicate")
    stored = resource(client.get(f"/fhir/{first['reference']}"))
    assert client.ids(f"Observation?patient={patient}&code={CODE}") == [stored["id"]]
    assert stored["performer"] == [{"type": "Practitioner", "display": "Ash Birch"}]
    stored["note"] = [{"text": "Show the mother too."}]
    assert client.put(f"/fhir/Observation/{stored['id']}", stored).status_code == 200
    better = DOCUMENT | {"step": [{"step": "seal", "shown": "prompted"}]}
    (amended,) = sent(client, better)
    assert (amended["status"], amended["reference"]) == ("amended", first["reference"])
    now = resource(client.get(f"/fhir/{first['reference']}"))
    assert now["status"] == "amended"
    assert now["note"] == stored["note"], "what the document does not speak of stays"
    steps = [
        coding["code"]
        for part in now["component"]
        for coding in part["code"]["coding"]
        if coding["system"] == STEPS
    ]
    assert steps == ["seal"]


def test_a_wrong_document_is_refused_at_its_place(client: Client, patient: str) -> None:
    wrong = DOCUMENT | {"step": [{"step": "tongue", "shown": "seen"}], "method": "by-ear"}
    (answer,) = sent(client, wrong)
    assert answer["status"] == "refused"
    told = {issue["expression"][0] for issue in answer["issue"]}
    assert told == {"TechniqueReview.method", "TechniqueReview.step[0].step"}
    assert client.ids(f"Observation?patient={patient}&code={CODE}") == []


def test_a_review_counts_for_no_adherence(client: Client, patient: str) -> None:
    """It is no session at home."""
    query = f"/fhir/Patient/{patient}/$adherence?start=2031-03-01&end=2031-03-08"
    before = resource(client.get(query))
    sent(client, DOCUMENT)
    client.post("/fhir/Observation", observation(patient))
    assert scores(resource(client.get(query))) == scores(before)


def scores(bundle: Any) -> Any:
    reports = [entry["resource"] for entry in bundle["entry"]]
    return [(one["measure"], one["group"]) for one in reports]


def test_the_schema_is_served(client: Client) -> None:
    schema = client.get("/schemas/technique-review").json()
    assert set(schema["required"]) >= {"child", "technique", "date", "method", "reviewer", "step"}
    assert "screen" in client.get("/schemas/programme").json()["properties"]
