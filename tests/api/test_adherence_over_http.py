"""$adherence over HTTP: what a hospital system asks and gets."""

import csv
import io
from datetime import UTC, datetime
from decimal import Decimal

import pytest
import worked_example
from adherence_http import (
    CHILD,
    DONE,
    FORTNIGHT,
    WEEK,
    Fortnight,
    counts,
    logged,
    post_programme,
    reports,
    score,
    two_a_day,
    upload,
)
from api_client import Client, issues, resource
from serious import serious
from set_clock import Clock
from statsmodels.stats.proportion import proportion_confint

from service.api.services import Services


@pytest.fixture
def fortnight(client: Client, clock: Clock) -> Fortnight:
    return Fortnight(client, clock)


def test_the_fortnight_worked_by_hand(client: Client, fortnight: Fortnight) -> None:
    for about in (*fortnight.plans, f"Patient/{fortnight.patient}"):
        found = reports(client.get(f"/fhir/{about}/$adherence?{FORTNIGHT}"))
        assert found.keys() == worked_example.FIGURES.keys()
        for name, (numerator, due, paused) in worked_example.FIGURES.items():
            assert float(score(found[name])) == pytest.approx(numerator / due, abs=5e-5)
            told = counts(found[name])
            if name != "dose":
                assert told["denominator"] - told["denominator-exclusion"] == due
                assert (told["denominator-exclusion"], told["numerator"]) == (paused, numerator)


def test_intervals_are_wilsons(client: Client, fortnight: Fortnight) -> None:
    """Against statsmodels' proportion_confint(method="wilson")."""
    found = reports(client.get(f"/fhir/Patient/{fortnight.patient}/$adherence?{FORTNIGHT}"))
    for name in ("sessions", "days", "any", "logged"):
        numerator, due, _ = worked_example.FIGURES[name]
        (interval,) = found[name]["group"][0]["measureScore"]["extension"]
        told = {part["url"]: part for part in interval["extension"]}
        expected = proportion_confint(numerator, due, method="wilson")
        ends = (told["low"]["valueDecimal"], told["high"]["valueDecimal"])
        assert tuple(map(float, ends)) == pytest.approx(expected, abs=5e-5)


def test_the_answer_meets_the_profile_of_reports(
    client: Client, fortnight: Fortnight, services: Services
) -> None:
    answer = client.get(f"/fhir/Patient/{fortnight.patient}/$adherence?{FORTNIGHT}")
    assert serious(services.validator.validate(resource(answer))) == []


def test_the_ledger_adds_up_to_the_figures(client: Client, fortnight: Fortnight) -> None:
    path = f"/fhir/Patient/{fortnight.patient}/$adherence?{FORTNIGHT}"
    answer = client.get(path, accept="text/csv")
    assert answer.headers["content-type"].startswith("text/csv")
    rows = list(csv.DictReader(io.StringIO(answer.text)))
    outcomes = [row["outcome"] for row in rows if row["line"] == "due"]
    done, due, paused = worked_example.FIGURES["sessions"]
    assert (outcomes.count("done"), outcomes.count("paused")) == (done, paused)
    assert len(outcomes) == due + paused


def test_by_post_with_parameters(client: Client, fortnight: Fortnight) -> None:
    body = {
        "resourceType": "Parameters",
        "parameter": [
            {"name": "start", "valueDate": worked_example.FIRST},
            {"name": "end", "valueDate": worked_example.LAST},
        ],
    }
    path = f"/fhir/Patient/{fortnight.patient}/$adherence"
    asked = client.post(path, body)
    assert asked.content == client.get(f"{path}?{FORTNIGHT}").content


def test_a_wrong_change_taken_back_and_asked_as_it_was_known(
    client: Client, clock: Clock, fortnight: Fortnight
) -> None:
    """The successor is marked entered-in-error: the plan before it counts again."""
    path = f"/fhir/Patient/{fortnight.patient}/$adherence?{FORTNIGHT}"
    before = client.get(path)
    known = "2031-04-07T09:00:00Z"
    clock.move(days=1)
    wrong = resource(client.get(f"/fhir/{fortnight.plans[1]}"))
    corrected = client.put(f"/fhir/{fortnight.plans[1]}", wrong | {"status": "entered-in-error"})
    assert corrected.status_code == 200
    today, then = reports(client.get(path)), reports(client.get(f"{path}&knownAt={known}"))
    assert counts(today["sessions"])["denominator"] == 24 - 3, "OPEP once a day to the end"
    for name, report in reports(before).items():
        assert then[name]["group"] == report["group"]


# -- the example of the reference facts, section 5: two a day for a week ---------------------------


def test_extra_sessions_on_one_day_do_not_make_up_for_another(client: Client, clock: Clock) -> None:
    clock.now = datetime(2031, 5, 12, 9, tzinfo=UTC)
    plan = resource(post_programme(client, two_a_day()))["carePlan"]
    upload(client, *(logged(day, n) for day, done in enumerate(DONE) for n in range(done)))
    path = f"/fhir/{plan}/$adherence?{WEEK}"
    found = reports(client.get(path))
    figures = {name: score(found[name]) for name in ("sessions", "days", "any")}
    assert figures == {
        "sessions": Decimal("0.7143"),
        "days": Decimal("0.5714"),
        "any": Decimal("0.8571"),
    }
    pause = {**worked_example.PAUSE, "child": CHILD, "start": "2031-05-09", "end": "2031-05-09"}
    upload(client, {"kind": "pause", **pause})
    assert score(reports(client.get(path))["sessions"]) == Decimal("0.8333")


# -- what is refused -------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("query", "place"),
    [
        ("", "http.start"),
        ("start=2031-03-24", "http.end"),
        ("start=2031-03&end=2031-04-06", "http.start"),
        ("start=2031-02-30&end=2031-04-06", "http.start"),
        ("start=2031-04-06&end=2031-03-24", "end"),
        ("start=1900-01-01&end=2031-03-24", "end"),
        (f"{FORTNIGHT}&knownAt=2031-04-01", "http.knownAt"),
        (f"{FORTNIGHT}&knownAt=2039-04-01T00:00:00Z", "http.knownAt"),
        (f"{FORTNIGHT}&start=2031-03-25", ""),
    ],
)
def test_a_question_that_makes_no_sense(
    client: Client, fortnight: Fortnight, query: str, place: str
) -> None:
    answer = client.get(f"/fhir/Patient/{fortnight.patient}/$adherence?{query}")
    assert answer.status_code == 400
    assert [issue.get("expression", [""]) for issue in issues(answer)] == [[place]]


def test_whom_it_cannot_be_asked_of(client: Client) -> None:
    assert client.get(f"/fhir/Patient/none/$adherence?{FORTNIGHT}").status_code == 404
    plan = {
        "resourceType": "CarePlan",
        "id": "other",
        "status": "active",
        "intent": "plan",
        "subject": {"reference": "Patient/none"},
    }
    client.put("/fhir/CarePlan/other", plan)
    assert client.get(f"/fhir/CarePlan/other/$adherence?{FORTNIGHT}").status_code == 422
    assert client.get(f"/fhir/Goal/none/$adherence?{FORTNIGHT}").status_code == 404
    refused = client.get(f"/fhir/Patient/none/$adherence?{FORTNIGHT}", accept="text/html")
    assert refused.status_code == 406
