"""Search over HTTP: R4 search.html. Expected answers follow the standard's own definitions of
prefixes, tokens, escapes and modifiers; what it leaves open is marked (ours)."""

from typing import Any
from urllib.parse import quote

import pytest
from api_client import BASE, Client, issues, resource

pytestmark = pytest.mark.engines

CATEGORY = "http://terminology.hl7.org/CodeSystem/observation-category"


def observation(id_: str, **rest: Any) -> dict[str, Any]:
    head = {"resourceType": "Observation", "id": id_, "status": "final", "code": {"text": "s"}}
    return head | rest


def put_all(client: Client, *resources: dict[str, Any]) -> None:
    for one in resources:
        answer = client.put(f"/fhir/{one['resourceType']}/{one['id']}", one)
        assert answer.status_code == 201, answer.text


# -- dates: search.html#date, #prefix ------------------------------------------------------------


@pytest.mark.parametrize(
    ("asked", "found"),
    [
        ("2019-07-15", "D"),
        ("2019-07", "MD"),
        ("2019", "YMD"),
        ("ne2019-07-15", "YM"),
        ("gt2019-07-14", "YMD"),
        ("gt2019-07", "Y"),
        ("lt2019-07-15", "YM"),
        ("sa2019-07-14", "D"),
        ("eb2019-08", "MD"),
    ],
)
def test_a_birth_date_is_a_span(client: Client, asked: str, found: str) -> None:
    dates = {"Y": "2019", "M": "2019-07", "D": "2019-07-15"}
    put_all(
        client,
        *({"resourceType": "Patient", "id": i, "birthDate": date} for i, date in dates.items()),
    )
    assert "".join(client.ids(f"Patient?birthdate={asked}")) == found


@pytest.mark.parametrize(
    ("asked", "found"),
    [
        ("2031-03-09", "P"),
        ("ge2031-03-10", "Q"),
        ("sa2031-03-09", ""),
        ("ge2031-03-09T22:55:00Z", "PQ"),
        ("ge2031-03-09T23:55:00%2B01:00", "PQ"),
    ],
)
def test_a_period_may_have_no_end_and_an_offset(client: Client, asked: str, found: str) -> None:
    put_all(
        client,
        observation(
            "P",
            effectivePeriod={
                "start": "2031-03-09T23:50:00+01:00",
                "end": "2031-03-10T00:10:00+01:00",
            },
        ),
        observation("Q", effectivePeriod={"start": "2031-03-01"}),
    )
    assert "".join(client.ids(f"Observation?date={asked}")) == found


def test_a_plus_sign_that_is_not_encoded_is_told_not_guessed(client: Client) -> None:
    assert client.get("/fhir/Observation?date=2031-03-09T22:55:00+01:00").status_code == 400


# -- tokens and escapes: search.html#token, #escaping ----------------------------------------------

ODD = "https://example.org/odd,sys"


@pytest.mark.parametrize(
    ("asked", "found"),
    [
        (r"https://example.org/odd\,sys|A\,1\|2\$3\\4", ["p1"]),
        ("A,1", ["p2"]),
        ("|A", ["p2"]),
        ("A", ["p2"]),
        (r"https://example.org/odd\,sys|", ["p1"]),
        ("https://example.org/odd", []),
    ],
)
def test_escapes_are_undone_once_and_last(client: Client, asked: str, found: list[str]) -> None:
    put_all(
        client,
        {
            "resourceType": "Patient",
            "id": "p1",
            "identifier": [{"system": ODD, "value": "A,1|2$3\\4"}],
        },
        {"resourceType": "Patient", "id": "p2", "identifier": [{"value": "A"}]},
    )
    assert client.ids(f"Patient?identifier={quote(asked, safe='')}") == found
    answer = client.get(f"/fhir/Patient?identifier={quote(asked, safe='')}")
    own = next(link["url"] for link in resource(answer)["link"] if link["relation"] == "self")
    assert client.ids(own.removeprefix(f"{BASE}/")) == found, "the self link asks the same"


def test_a_backslash_that_escapes_nothing_is_refused(client: Client) -> None:
    assert client.get("/fhir/Patient?identifier=x%5C").status_code == 400


@pytest.mark.parametrize(
    ("asked", "found"),
    [
        (f"category:not={CATEGORY}|activity", ["o2", "o4", "o5"]),
        ("category:not=activity,survey", ["o2", "o5"]),
        ("category:missing=true", ["o2", "o5"]),
        ("category:missing=false", ["o1", "o3", "o4"]),
        ("date:missing=true", ["o1", "o2", "o3", "o4", "o5"]),
    ],
)
def test_not_and_missing_judge_the_whole_resource(
    client: Client, asked: str, found: list[str]
) -> None:
    def category(*codes: str) -> list[dict[str, Any]]:
        return [{"coding": [{"system": CATEGORY, "code": code}]} for code in codes]

    absent = {"url": "http://hl7.org/fhir/StructureDefinition/data-absent-reason"}
    put_all(
        client,
        observation("o1", category=category("activity")),
        observation("o2"),
        observation("o3", category=category("activity", "survey")),
        observation("o4", category=category("survey")),
        observation("o5", _effectiveDateTime={"extension": [absent | {"valueCode": "unknown"}]}),
    )
    assert client.ids(f"Observation?{asked}") == found


# -- what cannot be answered, and what the answer says of itself -----------------------------------


@pytest.mark.parametrize(
    "query",
    [
        "date=20x1",
        "date=2031-02-30",
        "category:missing=maybe",
        "_count=-1",
        "_count=x",
        "code:session=1",
        "code:session",
        "subject:Patient.birthdate=20x1",
        "_has:Goal:patient:start-date=20x1",
        "value-quantity=abc",
        "_sort=nothing",
        "_page=nonsense",
        "status=%FF",
        "subject=Patient/p,",
    ],
)
def test_malformed_values_and_unknown_modifiers_are_refused(client: Client, query: str) -> None:
    answer = client.get(f"/fhir/Observation?{query}")
    assert answer.status_code == 400
    assert issues(answer)[0]["severity"] == "error"


def test_an_unknown_parameter_is_left_out_and_told(client: Client) -> None:
    put_all(client, observation("o1", subject={"reference": "Patient/p1"}), observation("o2"))
    answer = client.get("/fhir/Observation?subject=Patient/p1&colour=blue")
    found = resource(answer)
    assert found["link"][0] == {
        "relation": "self",
        "url": f"{BASE}/Observation?subject=Patient%2Fp1&_count=50",
    }
    modes = [
        (entry["search"]["mode"], entry["resource"]["resourceType"]) for entry in found["entry"]
    ]
    assert modes == [("match", "Observation"), ("outcome", "OperationOutcome")]
    strict = client.get("/fhir/Observation?colour=blue", prefer="handling=strict")
    assert strict.status_code == 400
    assert issues(strict)[0]["expression"] == ["http.colour"]


def test_a_count_of_nothing_asks_for_the_total(client: Client) -> None:
    put_all(client, observation("o1"), observation("o2"))
    for query in ("_count=0", "_summary=count"):
        found = resource(client.get(f"/fhir/Observation?{query}"))
        assert found["total"] == 2
        assert "entry" not in found
        assert [link["relation"] for link in found["link"]] == ["self"]


def test_a_great_count_is_lowered_and_says_so(client: Client) -> None:
    found = resource(client.get("/fhir/Observation?_count=1000000"))
    assert found["link"][0]["url"].endswith("_count=1000")


def test_pages_follow_one_another_without_gap_or_repetition(client: Client) -> None:
    put_all(client, *(observation(f"o{number}") for number in range(7)))
    seen, path, totals = [], "Observation?_count=3&status=final&_sort=-_id", set()
    while path:
        page = resource(client.get(f"/fhir/{path}"))
        seen += [entry["resource"]["id"] for entry in page["entry"]]
        totals.add(page["total"])
        links = {link["relation"]: link["url"] for link in page["link"]}
        path = links.get("next", "").removeprefix(f"{BASE}/")
    assert seen == ["o6", "o5", "o4", "o3", "o2", "o1", "o0"]
    assert totals == {7}


def test_a_form_and_its_address_both_ask(client: Client) -> None:
    put_all(
        client,
        observation("o1", subject={"reference": "Patient/p1"}),
        observation("o2", subject={"reference": "Patient/p1"}, status="amended"),
        observation("o3"),
    )
    answer = client.request(
        "POST", "/fhir/Observation/_search?status=final", data={"subject": "Patient/p1"}
    )
    assert [entry["resource"]["id"] for entry in resource(answer)["entry"]] == ["o1"]
    wrong = client.post("/fhir/Observation/_search", {"subject": "Patient/p1"})
    assert wrong.status_code == 415


def test_an_address_of_ours_is_a_reference_like_any(client: Client) -> None:
    put_all(client, observation("o1", subject={"reference": "Patient/p1"}))
    asked = quote(f"{BASE}/Patient/p1", safe="")
    assert client.ids(f"Observation?subject={asked}") == ["o1"]
    assert client.ids("Observation?patient=p1") == ["o1"]
    assert client.ids("Observation?subject:Patient=p1") == ["o1"]


def test_our_definitions_are_read_and_found_by_url(client: Client) -> None:
    url = "https://airway-programmes.example/fhir/StructureDefinition/airway-session"
    assert client.ids(f"StructureDefinition?url={url}") == ["airway-session"]
    read = resource(client.get("/fhir/StructureDefinition/airway-session"))
    assert read["url"] == url
    for type_ in ("CodeSystem", "ValueSet", "Measure", "OperationDefinition"):
        assert client.ids(f"{type_}?status=draft,active"), type_
    assert client.get("/fhir/CodeSystem/none").status_code == 404


def test_what_is_not_there_and_what_cannot_be_read_is_told_as_an_outcome(client: Client) -> None:
    assert client.get("/fhir/Nonsense").status_code == 404
    assert issues(client.get("/fhir/Nonsense?_format=json"))
    broken = client.post("/fhir/Observation", '{"resourceType": "Observation",')
    assert (broken.status_code, issues(broken)[0]["severity"]) == (400, "error")
