"""The trade's cases of JSON fidelity (area a), each over HTTP on every engine.

What is sent is taken from the case file beside the project; what must come of it is the case's own
"right result", which rests on R4 json.html and datatypes.html and RFC 8259. A1 also names $export,
which is not served here, and A4 and A6 are not in the file.
"""

import re
from collections.abc import Callable
from typing import Any

import pytest
from api_client import Client, issues, places, resource
from cases import Case, case, cases_of
from requests_sent import JSON_PATCH, patch

pytestmark = pytest.mark.engines

OBSERVATION = '{"resourceType":"Observation","id":"o","status":"final","code":{"text":"s"}%s}'


def with_digits(client: Client, told: Case) -> None:
    """12.50 and 0.10 on every road; a number without a digit before its point on none."""
    body = told.input.replace('"id":', '"subject":{"reference":"Patient/p"},"id":', 1)
    assert client.put("/fhir/Observation/pep-1", body).status_code == 400
    assert client.get("/fhir/Observation/pep-1").status_code == 404
    good = re.sub(r",\s*\{[^{}]*\{[^{}]*\},\s*\"valueQuantity\":\{\"value\":\.5\}\}", "", body)
    assert good != body
    client.put("/fhir/Patient/p", {"resourceType": "Patient", "id": "p"})
    assert client.put("/fhir/Observation/pep-1", good).status_code == 201
    operations = [{"op": "add", "path": "/status", "value": "amended"}]
    assert patch(client, "/fhir/Observation/pep-1", operations, JSON_PATCH).status_code == 200
    for path in (
        "Observation/pep-1",
        "Observation/pep-1/_history/1",
        "Observation/pep-1/_history/2",
        "Observation/pep-1/_history",
        "Observation?_id=pep-1",
        "Patient/p/$everything",
    ):
        text = client.get(f"/fhir/{path}").text
        assert re.search(r'"value":12\.50[,}]', text), path
        assert re.search(r'"value":0\.10[,}]', text), path
        assert re.search(r'"value":(1\.2E\+2|120)[,}]', text), path
    for number, found in (("12.5", 1), ("12.50", 1), ("12.51", 0), ("120", 1), ("0.1", 1)):
        query = f"Observation?component-value-quantity={number}"
        assert len(client.ids(query)) == found, query


def partial_dates(client: Client, told: Case) -> None:
    (child,) = re.findall(r"Patient: (\{.*\})", told.input)
    made = client.post("/fhir/Patient", child)
    assert resource(client.get(f"/fhir/Patient/{resource(made)['id']}"))["birthDate"] == "1987-04"
    times = re.findall(r'"([^"]*)"', told.input.partition("one create each:")[2])
    assert len(times) == 6
    for number, text in enumerate(times):
        answer = client.put(
            f"/fhir/Observation/o{number}",
            OBSERVATION.replace('"o"', f'"o{number}"') % f',"effectiveDateTime":"{text}"',
        )
        if number < 3:
            assert answer.status_code == 201
            stored = resource(client.get(f"/fhir/Observation/o{number}"))
            assert stored["effectiveDateTime"] == text
        else:
            assert answer.status_code in (400, 422)
            assert places(answer) == ["Observation.effective"]
            assert client.get(f"/fhir/Observation/o{number}").status_code == 404
    # 07:05 at +05:45 is 01:20 UTC: what is searched is the span in UTC.
    assert "o1" in client.ids("Observation?date=2031-03-09T01:20:00Z")


def leap_seconds(client: Client, told: Case) -> None:
    first, _, rest = told.input.partition("\n")
    made = client.post("/fhir/Observation", first)
    assert made.status_code == 201
    id_ = resource(made)["id"]
    assert (
        '"effectiveDateTime":"2016-12-31T23:59:60Z"' in client.get(f"/fhir/Observation/{id_}").text
    )
    for name, text in (("b", "2016-12-31T23:59:59.999Z"), ("z", "2017-01-01T00:00:00Z")):
        members = f',"effectiveDateTime":"{text}"'
        client.put(f"/fhir/Observation/{name}", OBSERVATION.replace('"o"', f'"{name}"') % members)
    order = client.ids("Observation?_sort=date")
    assert order.index("b") < order.index(id_)
    newest = client.ids("Observation?_sort=-date")
    assert newest[-1] == "b"
    wrong = re.findall(r'effectiveDateTime "([^"]*)"|"(\d{4}-[^"]*)"', rest)
    texts = [one or other for one, other in wrong]
    assert len(texts) == 2
    for text in texts:
        answer = client.put("/fhir/Observation/o", OBSERVATION % f',"effectiveDateTime":"{text}"')
        assert answer.status_code in (400, 422)
        assert places(answer) == ["Observation.effective"]


def names_once(client: Client, told: Case) -> None:
    twice, two_values = re.findall(r"^\{.*\}$", told.input, re.MULTILINE)
    for body in (twice, two_values):
        assert client.post("/fhir/Observation", body).status_code in (400, 422)
        checked = client.post("/fhir/Observation/$validate", body)
        found = [one for one in issues(checked) if one["severity"] in ("error", "fatal")]
        assert found
        assert {one["code"] for one in found} <= {"structure", "invalid"}
        assert all(one["expression"] for one in found)
    fine = OBSERVATION.replace('"id":"o",', "") % ""
    entries = ",".join(
        f'{{"resource":{body},"request":{{"method":"POST","url":"Observation"}}}}'
        for body in (fine, twice)
    )
    sent = f'{{"resourceType":"Bundle","type":"transaction","entry":[{entries}]}}'
    answer = client.post("/fhir", sent)
    assert answer.status_code in (400, 422)
    assert places(answer)[0].startswith("Bundle.entry[1]")
    assert client.ids("Observation") == []


def numbers_beyond(client: Client, told: Case) -> None:
    lines = told.input.split("\n")
    values = [line.partition(": ")[2].split(" | ") for line in lines[:3]]
    assert [len(each) for each in values] == [4, 3, 2]
    measured = ',"component":[{"code":{"text":"a"},"valueQuantity":{"value":%s}}]'
    for text in values[0]:
        answer = client.put("/fhir/Observation/o", OBSERVATION % (measured % text))
        if text == "1e999":
            assert answer.status_code in (201, 400)
            assert "Infinity" not in client.get("/fhir/Observation?_summary=false").text
        else:
            assert answer.status_code == (422 if '"' in text else 400)
            assert places(answer)
    for text in values[1]:
        answer = client.put(
            "/fhir/ServiceRequest/r",
            '{"resourceType":"ServiceRequest","id":"r","status":"active","intent":"order",'
            '"subject":{"reference":"Patient/p"},"occurrenceTiming":{"repeat":'
            f'{{"frequency":{text},"period":1,"periodUnit":"d"}}}}}}',
        )
        assert answer.status_code in (400, 422)
        assert places(answer) == ["ServiceRequest.occurrence.repeat.frequency"]
    for text in values[2]:
        body = f'{{"resourceType":"Patient","id":"p","active":{text}}}'
        answer = client.put("/fhir/Patient/p", body)
        assert (answer.status_code, places(answer)) == (422, ["Patient.active"])
    digits = OBSERVATION % (measured % ("9" * 5000))
    deep = OBSERVATION % (',"extension":' + "[" * 3000 + "]" * 3000)
    for body in (digits, deep):
        assert client.put("/fhir/Observation/o", body).status_code in (400, 413)
    assert client.get("/health/ready").status_code == 200


SCENARIOS: dict[str, Callable[[Client, Case], Any]] = {
    "A1": with_digits,
    "A2": partial_dates,
    "A3": leap_seconds,
    "A5": names_once,
    "A7": numbers_beyond,
}


@pytest.mark.parametrize("number", SCENARIOS)
def test_case(client: Client, number: str) -> None:
    SCENARIOS[number](client, case(number))


def test_every_case_of_the_file_is_run() -> None:
    assert set(cases_of("a")) <= set(SCENARIOS)
