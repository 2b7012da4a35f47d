"""$lastn (R4 operation Observation-lastn, whose own table of groups is the first test here)."""

from typing import Any

import pytest
from api_client import Client, places, resource
from findable import put_all

pytestmark = pytest.mark.engines

VITALS = "http://terminology.hl7.org/CodeSystem/observation-category"


def measured(id_: str, day: int | None, *codes: str, text: str | None = None) -> dict[str, Any]:
    code: dict[str, Any] = {"text": text} if text else {}
    if codes:
        code["coding"] = [{"system": "https://clinic.example/code", "code": one} for one in codes]
    made = {
        "resourceType": "Observation",
        "id": id_,
        "status": "final",
        "category": [{"coding": [{"system": VITALS, "code": "vital-signs"}]}],
        "code": code,
        "subject": {"reference": "Patient/p1"},
    }
    return made | ({"effectiveDateTime": f"2031-03-{day:02}"} if day else {})


def last(client: Client, query: str = "") -> list[str]:
    path = f"/fhir/Observation/$lastn?patient=Patient/p1&category=vital-signs{query}"
    answer = client.get(path)
    assert answer.status_code == 200, answer.text
    bundle = resource(answer)
    assert bundle["type"] == "searchset"
    ids = [entry["resource"]["id"] for entry in bundle.get("entry", [])]
    assert bundle["total"] == len(ids)
    return ids


@pytest.mark.parametrize(
    ("codes", "groups"),
    [
        (["a", "b", "c"], ["x3", "x2", "x1"]),
        (["a", "b", "ac"], ["x3", "x2"]),
        (["a", "b", "ab"], ["x3"]),
        (["ab", "bc", "cd"], ["x3"]),
    ],
)
def test_codes_are_equal_when_any_translation_is_and_that_goes_on(
    client: Client, codes: list[str], groups: list[str]
) -> None:
    """The table of the operation's definition, and a chain of translations."""
    put_all(client, *(measured(f"x{day}", day, *some) for day, some in enumerate(codes, 1)))
    assert last(client) == groups


def test_a_code_that_is_only_text_is_grouped_by_the_text_as_written(client: Client) -> None:
    texts = ["textM", "Text", "t e x t", "Text"]
    put_all(client, *(measured(f"x{day}", day, text=text) for day, text in enumerate(texts, 1)))
    assert last(client) == ["x4", "x3", "x1"]


def test_the_last_of_each_are_given_newest_first_and_equal_times_together(client: Client) -> None:
    """R4: 4 instead of 3 when the 3rd and the 4th have the same effective time."""
    days = [5, 4, 3, 3, 2]
    put_all(client, *(measured(f"x{place}", day, "a") for place, day in enumerate(days)))
    assert last(client) == ["x0"]
    assert last(client, "&max=2") == ["x0", "x1"]
    assert sorted(last(client, "&max=3")) == ["x0", "x1", "x2", "x3"]
    assert len(last(client, "&max=9")) == 5


def test_what_says_no_time_comes_after_what_does(client: Client) -> None:
    put_all(client, measured("no", None, "a"), measured("yes", 1, "a"), measured("nor", None, "a"))
    assert last(client) == ["yes"]
    assert len(last(client, "&max=2")) == 2


def test_other_parameters_of_a_search_apply(client: Client) -> None:
    """Without a status also what was entered in error: so the definition says."""
    wrong = measured("wrong", 9, "a") | {"status": "entered-in-error"}
    other = measured("other", 8, "b") | {"subject": {"reference": "Patient/p2"}}
    put_all(client, measured("x1", 1, "a"), measured("x2", 2, "a"), wrong, other)
    assert last(client) == ["wrong"]
    assert last(client, "&status=final") == ["x2"]
    assert last(client, "&date=lt2031-03-02") == ["x1"]
    assert last(client, "&code=https://clinic.example/code|b") == []


@pytest.mark.parametrize(
    ("query", "place"),
    [
        ("category=vital-signs", ""),
        ("patient=Patient/p1", ""),
        ("patient=Patient/p1&code=a&max=0", "http.max"),
        ("patient=Patient/p1&code=a&max=x", "http.max"),
        ("patient=Patient/p1&code=a&date=20x1", "http.date"),
    ],
)
def test_a_patient_and_a_code_or_category_are_asked_for(
    client: Client, query: str, place: str
) -> None:
    answer = client.get(f"/fhir/Observation/$lastn?{query}")
    assert (answer.status_code, places(answer)) == (400, [place])


def test_a_form_asks_the_same(client: Client) -> None:
    put_all(client, measured("x1", 1, "a"))
    answer = client.request(
        "POST", "/fhir/Observation/$lastn", data={"subject": "Patient/p1", "code": "a"}
    )
    assert [entry["resource"]["id"] for entry in resource(answer)["entry"]] == ["x1"]
