"""The search language over HTTP: R4 search.html, as a client writes it."""

from typing import Any
from urllib.parse import quote

import pytest
from api_client import Client, issues, resource
from findable import clinic, observation, pages, put_all

from service.mapping.canonical import BASE

pytestmark = pytest.mark.engines

ODD = {"system": "https://example.org/acw/odd,sys", "value": "A,1|2$3\\4"}
CATEGORY = "http://terminology.hl7.org/CodeSystem/observation-category"
UCUM = "http://unitsofmeasure.org"


def categories(*codes: str) -> list[dict[str, Any]]:
    return [{"coding": [{"system": CATEGORY, "code": code}]} for code in codes]


def measured(value: str, code: str) -> dict[str, Any]:
    coding = {"system": UCUM, "code": code}
    return {
        "code": {"coding": [{"system": "urn:s", "code": "pressure"}], "text": "Mask pressure"},
        "valueQuantity": {"value": float(value)} | coding,
    }


@pytest.fixture
def filled(client: Client) -> Client:
    put_all(
        client,
        *clinic(),
        {"resourceType": "Patient", "id": "odd", "identifier": [ODD]},
        {"resourceType": "Patient", "id": "plain", "identifier": [{"value": "A"}]},
        {"resourceType": "Patient", "id": "y", "birthDate": "2019"},
        {"resourceType": "Patient", "id": "m", "birthDate": "2019-07"},
        {"resourceType": "Patient", "id": "d", "birthDate": "2019-07-15"},
        observation("k1", category=categories("activity"), **measured("12", "cm[H2O]")),
        observation("k2", category=categories("activity", "survey"), **measured("1", "kPa")),
        observation("k3", category=categories("survey"), method=technique("pep")),
    )
    return client


def technique(code: str) -> dict[str, Any]:
    return {"coding": [{"system": f"{BASE}/CodeSystem/airway-technique", "code": code}]}


ADDED = "_id=k1,k2,k3"


@pytest.mark.parametrize(
    ("query", "expected"),
    [
        # Case D7: escapes and the three forms of a token (search.html#escaping, #token).
        ("Patient?identifier=https%3A%2F%2Fexample.org%2Facw%2Fodd%5C%2Csys%7CA%5C%2C1%5C%7C2%5C%243"
         "%5C%5C4", "odd"),
        ("Patient?identifier=A%2C1", "plain"),
        ("Patient?identifier=%7CA", "plain"),
        ("Patient?identifier=A", "plain"),
        ("Patient?identifier=https://example.org/acw/odd\\,sys|", "odd"),
        # Case D6: dates that are known in part (search.html#prefix).
        ("Patient?birthdate=2019-07-15", "d"),
        ("Patient?birthdate=2019-07", "d m"),
        ("Patient?birthdate=2019", "d m y"),
        ("Patient?birthdate=ne2019-07-15", "m y"),
        ("Patient?birthdate=gt2019-07-14", "d m y"),
        ("Patient?birthdate=gt2019-07", "y"),
        ("Patient?birthdate=lt2019-07-15", "m y"),
        ("Patient?birthdate=sa2019-07-14", "d"),
        ("Patient?birthdate=eb2019-08", "d m"),
        # Case D8: modifiers judge the resource (search.html#modifiers).
        (f"Observation?{ADDED}&category:not={CATEGORY}|activity", "k3"),
        (f"Observation?{ADDED}&category:not=activity,survey", ""),
        (f"Observation?{ADDED}&category:missing=true", ""),
        (f"Observation?{ADDED}&code:text=mask", "k1 k2"),
        (f"Observation?method:in={BASE}/ValueSet/airway-technique", "k3"),
        (f"Observation?{ADDED}&method:not-in={BASE}/ValueSet/airway-technique", "k1 k2"),
        # Units and pairs.
        (f"Observation?value-quantity=12|{UCUM}|cm[H2O]", "k1"),
        (f"Observation?value-quantity=gt10|{UCUM}|cm[H2O]", "k1 k2"),
        (f"Observation?value-quantity=ap1.17|{UCUM}|kPa", "k1"),
        (f"Observation?code-value-quantity=urn:s|pressure$1.0|{UCUM}|kPa", "k2"),
        (f"Observation?combo-code-value-quantity=pressure$ge100|{UCUM}|mm[H2O]", "k1 k2"),
        ("Patient?_has:Observation:patient:combo-code=urn:s|pressure", "p1"),
        ("Observation?status=http://hl7.org/fhir/observation-status|final&patient=p2", "o3"),
        ("Organization?_content=harbour", "desk ward"),
    ],
)  # fmt: skip
def test_what_is_found(filled: Client, query: str, expected: str) -> None:
    assert " ".join(filled.ids(f"{query}&_sort=_id")) == expected


@pytest.mark.parametrize(
    ("query", "place"),
    [
        ("Patient?identifier=x\\", "identifier"),
        ("Observation?category:missing=maybe", "category:missing"),
        ("Observation?date=ge2031-03-09T22:55:00+01:00", "date"),
        ("Observation?subject:Patient.birthdate=20x1", "subject:Patient.birthdate"),
        ("Observation?code:above=x", "code:above"),
        ("Observation?code:in=urn:none", "code:in"),
        ("Observation?_filter=x", "_filter"),
        ("Observation?code-value-quantity=x", "code-value-quantity"),
        ("Observation?_sort=combo-code", "_sort"),
    ],
)
def test_what_cannot_be_read_is_named_as_it_was_asked(
    client: Client, query: str, place: str
) -> None:
    answer = client.get(f"/fhir/{query}")
    assert answer.status_code == 400
    assert [issue["expression"] for issue in issues(answer)] == [[f"http.{place}"]]


def test_everything_that_a_match_refers_to(filled: Client) -> None:
    query = "Observation?_id=o1&_include=*"
    (page,) = pages(filled, f"/fhir/{query}")
    along = {
        entry["resource"]["id"] for entry in page["entry"] if entry["search"]["mode"] == "include"
    }
    assert along == {"p1", "r1"}


def test_a_conditional_create_reads_a_condition_as_a_search_does(filled: Client) -> None:
    escaped = quote("https://example.org/acw/odd\\,sys|A\\,1\\|2\\$3\\\\4", safe="")
    patient = {"resourceType": "Patient", "identifier": [ODD]}
    answer = filled.post("/fhir/Patient", patient, if_none_exist=f"identifier={escaped}")
    assert answer.status_code == 200
    assert resource(answer)["id"] == "odd"
