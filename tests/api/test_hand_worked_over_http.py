"""The children worked by hand, entered over HTTP: the answers are their tables."""

import csv
import io
from collections import Counter
from datetime import UTC, date, datetime

import hand_worked
import pytest
import worked_example
from adherence_http import FORTNIGHT, Fortnight, counts, post_programme, reports
from api_client import Client, resource
from hand_worked import HandWorked, Json, Question, Sent
from serious import serious
from set_clock import Clock

from service.api.services import Services
from service.fhir.json import write

IN_HOSPITAL = {"system": "http://terminology.hl7.org/CodeSystem/v3-ActCode", "code": "IMP"}


class _Entered:
    """Everything of a child, sent at its times; ``patient`` is the child's id."""

    def __init__(self, client: Client, clock: Clock, child: HandWorked) -> None:
        self.client, self.child = client, child
        for sent in child.sent:
            clock.now = datetime.fromisoformat(sent.at)
            for programme in sent.programmes:
                post_programme(client, programme)
            found = f"Patient?identifier={child.child['system']}|{child.child['value']}"
            (self.patient,) = client.ids(found)
            self._send(sent)
            for stay in sent.stays:
                assert client.post("/fhir/Encounter", self._stay(stay)).status_code == 201
            for key in sent.wrong:
                self._mark_wrong(key)

    def _send(self, sent: Sent) -> None:
        if not sent.rows:
            return
        headers = {"content-type": "application/x-ndjson"}
        headers |= {"device-clock": sent.device_clock} if sent.device_clock else {}
        body = b"".join(write(row) + b"\n" for row in sent.rows)
        answer = self.client.request("POST", "/sessions", content=body, headers=headers)
        assert '"refused"' not in answer.text, answer.text

    def _stay(self, period: Json) -> Json:
        return {
            "resourceType": "Encounter",
            "status": "finished",
            "class": IN_HOSPITAL,
            "subject": {"reference": f"Patient/{self.patient}"},
            "period": period,
        }

    def _mark_wrong(self, key: str) -> None:
        (id_,) = self.client.ids(f"Observation?identifier={key}")
        stored = resource(self.client.get(f"/fhir/Observation/{id_}"))
        wrong = stored | {"status": "entered-in-error"}
        assert self.client.put(f"/fhir/Observation/{id_}", wrong).status_code == 200

    def path(self, question: Question) -> str:
        days = f"start={self.child.first}&end={self.child.last}"
        return f"/fhir/Patient/{self.patient}/$adherence?{days}&knownAt={question.known_at}"


@pytest.mark.parametrize("child", hand_worked.CHILDREN, ids=lambda child: child.name)
def test_the_answers_are_the_tables(
    client: Client, clock: Clock, services: Services, child: HandWorked
) -> None:
    entered = _Entered(client, clock, child)
    clock.now = datetime(2031, 7, 1, tzinfo=UTC)
    for question in child.questions:
        path = entered.path(question)
        answer = client.get(path)
        assert serious(services.validator.validate(resource(answer))) == []
        _assert_figures(reports(answer), question)
        text = client.get(path, accept="text/csv").text
        assert _days(text) == _without_matched(question), question.known_at


def _assert_figures(found: dict[str, Json], question: Question) -> None:
    for name, (numerator, due, paused) in question.figures.items():
        told = counts(found[name])
        whole = "measure-population" if name == "dose" else "denominator"
        assert (told[whole], told[f"{whole}-exclusion"]) == (due + paused, paused), name
        score = found[name]["group"][0]["measureScore"].get("value")
        if due == 0:
            assert score is None
        else:
            assert float(score) == pytest.approx(numerator / due, abs=5e-5)
    told = counts(found["sessions"])
    assert tuple(told[one] for one in ("placed", "unplaced", "excluded")) == question.rows
    assert told["received"] == sum(question.rows)
    codes = {"doubtful": "unplaced"}
    for ending, count in question.endings.items():
        assert told[codes.get(ending, ending)] == count, ending
    coverage = found["sessions"]["extension"][1]["extension"]
    days = tuple(part["valueUnsignedInt"] for part in coverage[:2])
    assert days == question.days
    for technique, expected in question.techniques.items():
        strata = found["sessions"]["group"][0]["stratifier"][1]["stratum"]
        (stratum,) = [one for one in strata if one["value"]["coding"][0]["code"] == technique]
        by_code = {one["code"]["coding"][0]["code"]: one["count"] for one in stratum["population"]}
        assert (by_code["numerator"], by_code["denominator"]) == expected


def _days(text: str) -> dict[str, tuple[int, int, int, int]]:
    """Day -> due, done, paused, and rows that fulfilled nothing; out of the ledger as a table."""
    found: dict[str, Counter[str]] = {}
    for row in csv.DictReader(io.StringIO(text)):
        count = found.setdefault(f"{date.fromisoformat(row['day']):%d %b}", Counter())
        if row["line"] == "due":
            count[row["outcome"]] += 1
        elif row["outcome"] != "doubtful":
            count["row"] += 1
    return {
        day: (count["done"] + count["open"], count["done"], count["paused"], count["row"])
        for day, count in found.items()
        if count
    }


def _without_matched(question: Question) -> dict[str, tuple[int, int, int, int]]:
    """In the ledger a row that fulfilled something stands with what it fulfilled."""
    return {
        day: (due, done, paused, rows - done)
        for day, (due, done, paused, rows) in question.lines().items()
    }


def test_the_report_says_which_end_of_a_range_was_due(client: Client, clock: Clock) -> None:
    for child, expected in ((hand_worked.RANGE, ["low"]), (hand_worked.MOVED, [])):
        entered = _Entered(client, clock, child)
        found = reports(client.get(entered.path(child.questions[0])))
        for report in found.values():
            parts = report["extension"][0]["extension"]
            bounds = [part["valueCode"] for part in parts if part["url"] == "bound"]
            assert bounds == expected


def test_clocks_in_doubt_are_named(client: Client, clock: Clock) -> None:
    """Two rows of a clock that was two days slow, one of 1970 and one of next week."""
    entered = _Entered(client, clock, hand_worked.CORRECTED)
    found = reports(client.get(entered.path(hand_worked.CORRECTED.questions[0])))["sessions"]
    doubts = [
        {part["url"]: part for part in one["extension"]}
        for one in found["extension"]
        if one["url"].endswith("/clock-doubt")
    ]
    told = sorted((one["clock"]["valueCode"], one["start"]["valueDateTime"][:16]) for one in doubts)
    assert told == [
        ("corrected", "2031-06-10T07:00"),
        ("corrected", "2031-06-11T07:00"),
        ("suspect", "1970-01-01T00:12"),
        ("suspect", "2031-06-20T07:00"),
    ]


def test_every_day_of_the_fortnight(client: Client, clock: Clock) -> None:
    """The table of ``worked_example``: a change of plan, and unwell days with twice as much."""
    child = Fortnight(client, clock)
    path = f"/fhir/Patient/{child.patient}/$adherence?{FORTNIGHT}"
    found: dict[str, Counter[str]] = {}
    for row in csv.DictReader(io.StringIO(client.get(path, accept="text/csv").text)):
        count = found.setdefault(f"{date.fromisoformat(row['day']):%a %d %b}", Counter())
        name = "opep" if row["technique"] == "opep" else "ad"
        if row["line"] == "due":
            count[f"{name}_due"] += row["outcome"] != "paused"
            count[f"{name}_done"] += row["outcome"] == "done"
            count["paused"] += row["outcome"] == "paused"
    for expected in worked_example.expected_days():
        count = found[str(expected["day"])]
        for name in ("opep_due", "opep_done", "ad_due", "ad_done", "paused"):
            assert count[name] == expected[name], (expected["day"], name)
