"""That a family was told of a version of their programme: kept, found, and held to its profile."""

from api_client import Client, places, resource
from programme_documents import CHILDREN, programme

from service.fhir.json import JsonObject, read
from service.resources import profiles_dir

CATEGORY = "https://airway-programmes.example/fhir/CodeSystem/airway-communication|told-family"


def told(plan: str, patient: str) -> JsonObject:
    """The example of the profile, about this plan and child."""
    example = profiles_dir() / "examples" / "pass" / "told-family-change.json"
    sent: JsonObject = read(example.read_bytes())
    del sent["id"]
    return sent | {
        "about": [{"reference": plan}],
        "subject": {"reference": f"Patient/{patient}"},
        "recipient": [{"type": "RelatedPerson", "display": "mother"}],
        "sender": {"type": "Practitioner", "display": "Ash Birch"},
    }


def test_it_is_kept_and_found_by_child_and_category(client: Client) -> None:
    plan = resource(client.post("/programmes", programme()))["carePlan"]
    (patient,) = client.ids(f"Patient?identifier={CHILDREN}|7")
    made = client.post("/fhir/Communication", told(plan, patient))
    assert made.status_code == 201, made.text
    id_ = resource(made)["id"]
    for query in (f"patient={patient}", f"category={CATEGORY}", f"subject=Patient/{patient}"):
        assert client.ids(f"Communication?{query}") == [id_], query
    everything = resource(client.get(f"/fhir/Patient/{patient}/$everything"))
    assert id_ in {entry["resource"]["id"] for entry in everything["entry"]}


def test_one_that_is_completed_says_when(client: Client) -> None:
    plan = resource(client.post("/programmes", programme()))["carePlan"]
    (patient,) = client.ids(f"Patient?identifier={CHILDREN}|7")
    never = told(plan, patient)
    del never["sent"]
    refused = client.post("/fhir/Communication", never)
    assert refused.status_code == 422
    assert places(refused) == ["Communication"]
    to_come = client.post("/fhir/Communication", never | {"status": "preparation"})
    assert to_come.status_code == 201, to_come.text
