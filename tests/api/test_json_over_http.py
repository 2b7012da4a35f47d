"""What JSON may say and what comes back: R4 json.html, datatypes.html; RFC 8259."""

from typing import Any

import pytest
from api_client import Client, places, resource

OBSERVATION = '{"resourceType":"Observation","id":"o","status":"final","code":{"text":"s"}%s}'
NUMBERS = ""","component":[
 {"code":{"text":"mean"},"valueQuantity":{"value":12.50}},
 {"code":{"text":"leak"},"valueQuantity":{"value":0.10}},
 {"code":{"text":"volume"},"valueQuantity":{"value":%s}}]"""


def put(client: Client, members: str) -> Any:
    return client.put("/fhir/Observation/o", OBSERVATION % members)


def test_a_decimal_keeps_its_digits_on_every_road(client: Client) -> None:
    """R4 json.html: the precision of a decimal is significant."""
    assert put(client, NUMBERS % "120").status_code == 201
    for path in (
        "Observation/o",
        "Observation/o/_history/1",
        "Observation/o/_history",
        "Observation?_id=o",
    ):
        text = client.get(f"/fhir/{path}").text
        assert '"value":12.50}' in text
        assert '"value":0.10}' in text
        assert '"value":120}' in text


def test_a_number_needs_a_digit_before_its_point(client: Client) -> None:
    assert put(client, NUMBERS % ".5").status_code == 400
    assert client.get("/fhir/Observation/o").status_code == 404


def test_a_partial_birth_date_stays_partial(client: Client) -> None:
    child = {"resourceType": "Patient", "id": "p", "birthDate": "1987-04"}
    client.put("/fhir/Patient/p", child)
    assert resource(client.get("/fhir/Patient/p"))["birthDate"] == "1987-04"


@pytest.mark.parametrize(
    "text",
    [
        "2031-03-09",
        "2031-03-09T07:05:00+05:45",
        "2031-03-09T07:05:00.500Z",
        "2016-12-31T23:59:60Z",
    ],
)
def test_a_time_comes_back_as_it_came(client: Client, text: str) -> None:
    """R4 datatypes.html#dateTime: second 60 is allowed for leap seconds."""
    assert put(client, f',"effectiveDateTime":"{text}"').status_code == 201
    assert resource(client.get("/fhir/Observation/o"))["effectiveDateTime"] == text


@pytest.mark.parametrize(
    "text",
    [
        "2031-03-09T07:05:00",
        "2031-03-09T07:05Z",
        "2031-02-30",
        "2031-03-09T24:00:00Z",
        "2031-03-09T23:59:61Z",
    ],
)
def test_a_time_that_is_none_is_refused_at_its_place(client: Client, text: str) -> None:
    answer = put(client, f',"effectiveDateTime":"{text}"')
    assert answer.status_code == 422
    assert places(answer) == ["Observation.effective"]
    assert client.get("/fhir/Observation/o").status_code == 404


def test_a_leap_second_lies_between_its_neighbours(client: Client) -> None:
    times = {
        "a": "2016-12-31T23:59:59.999Z",
        "b": "2016-12-31T23:59:60Z",
        "c": "2017-01-01T00:00:00Z",
    }
    for id_, text in reversed(times.items()):
        client.put(
            f"/fhir/Observation/{id_}",
            f'{{"resourceType":"Observation","id":"{id_}","status":"final",'
            f'"code":{{"text":"s"}},"effectiveDateTime":"{text}"}}',
        )
    order = client.ids("Observation?_sort=date")
    assert order.index("a") < order.index("b")
    assert set(order[1:]) == {"b", "c"}, "not after midnight"


TWICE = (
    '{"resourceType":"Observation","status":"final","code":{"text":"s"},'
    '"subject":{"reference":"Patient/p1"},"subject":{"reference":"Patient/p2"}}'
)
TWO_VALUES = (
    '{"resourceType":"Observation","status":"final","code":{"text":"s"},'
    '"valueQuantity":{"value":12},"valueString":"twelve"}'
)


@pytest.mark.parametrize("body", [TWICE, TWO_VALUES])
def test_one_name_and_one_choice_once(client: Client, body: str) -> None:
    """R4 json.html: property names are unique; formats.html: one type of a choice."""
    assert client.post("/fhir/Observation", body).status_code in (400, 422)
    checked = client.post("/fhir/Observation/$validate", body)
    assert places(checked), "also when only asked"
    assert client.ids("Observation") == []


def test_a_repeated_name_deep_in_a_bundle_undoes_it_all(client: Client) -> None:
    fine = '{"resourceType":"Observation","status":"final","code":{"text":"s"}}'
    entries = ",".join(
        f'{{"resource":{body},"request":{{"method":"POST","url":"Observation"}}}}'
        for body in (fine, TWICE)
    )
    bundle = f'{{"resourceType":"Bundle","type":"transaction","entry":[{entries}]}}'
    answer = client.post("/fhir", bundle)
    assert answer.status_code == 400
    assert places(answer) == ["Bundle.entry[1].resource.subject"]
    assert client.ids("Observation") == []


@pytest.mark.parametrize("number", ["NaN", "-Infinity", "9" * 5000, "1e999999999"])
def test_numbers_beyond_json_and_beyond_the_limits(client: Client, number: str) -> None:
    assert put(client, NUMBERS % number).status_code == 400


@pytest.mark.parametrize(
    ("body", "place"),
    [
        (OBSERVATION % (NUMBERS % '"12"'), "Observation.component[2].value.value"),
        ('{"resourceType":"Patient","id":"o","active":"true"}', "Patient.active"),
        ('{"resourceType":"Patient","id":"o","active":1}', "Patient.active"),
    ],
)
def test_a_value_of_another_kind_is_refused(client: Client, body: str, place: str) -> None:
    kind = "Patient" if "Patient" in body else "Observation"
    answer = client.put(f"/fhir/{kind}/o", body)
    assert answer.status_code == 422
    assert places(answer) == [place]


@pytest.mark.parametrize("count", ["3.0", "99999999999999999999", "0"])
def test_a_positive_whole_number_is_one(client: Client, count: str) -> None:
    body = (
        '{"resourceType":"ServiceRequest","id":"r","status":"active","intent":"order",'
        '"subject":{"reference":"Patient/p"},"occurrenceTiming":{"repeat":'
        f'{{"frequency":{count},"period":1,"periodUnit":"d"}}}}}}'
    )
    answer = client.put("/fhir/ServiceRequest/r", body)
    assert answer.status_code == 422
    assert places(answer) == ["ServiceRequest.occurrence.repeat.frequency"]


def test_a_body_nested_without_end_is_refused_and_the_service_lives(client: Client) -> None:
    assert client.post("/fhir/Observation", '{"a":' * 3000 + "1" + "}" * 3000).status_code == 400
    assert client.post("/fhir/Observation", "[" * 100_000).status_code == 400
    assert client.get("/health/ready").status_code == 200


def test_broken_json_is_told_with_line_and_column(client: Client) -> None:
    answer = client.post("/fhir/Observation", '{\n "resourceType": "Observation",\n "status": fin')
    assert answer.status_code == 400
    told = resource(answer)["issue"][0]["diagnostics"]
    assert "line 3, column 12" in told
