"""Adherence out of the record: the fortnight worked by hand, and what corrections do to it."""

import csv
import io
from datetime import UTC, date, datetime, timedelta
from typing import Any

import pytest
import worked_example

from service.fhir.json import JsonObject, read, write
from service.fhir.outcome import has_errors
from service.fhir.validation import Validator
from service.mapping.feed_lines import lines_of
from service.mapping.feeds import JsonLines, rows_of
from service.mapping.reports import report_bundle, single_report
from service.programme.adherence import RULE_VERSION, Adherence
from service.record import Actor, Create, Delete, Record, Update
from service.record.adherence import (
    Scope,
    adherence_of,
    adherence_of_patient,
    scope_of_care_plan,
)
from service.record.errors import Invalid, Malformed, NotFound
from service.record.programmes import Programmes
from service.record.reports import ledger_csv
from service.record.sessions import Upload

BY = Actor("Robin Placeholder, physiotherapist")
FIRST, LAST = date.fromisoformat(worked_example.FIRST), date.fromisoformat(worked_example.LAST)
HOME = "home-204"
INPATIENT = {"system": "http://terminology.hl7.org/CodeSystem/v3-ActCode", "code": "IMP"}


class Clinic:
    """The child of the worked example, in a record."""

    def __init__(self, record: Record, clock: Any) -> None:
        self.record, self.clock = record, clock
        clock.now = datetime(2031, 3, 20, 9, tzinfo=UTC)
        programmes = Programmes(record, clock)
        first, second = ({"id": HOME, **raw} for raw in worked_example.PROGRAMMES)
        opened = programmes.post(first, BY).opened
        clock.now = datetime(2031, 4, 3, 9, tzinfo=UTC)
        changed = programmes.put(HOME, second, BY, f'"{opened.tag}"').opened
        self.plans = [opened.version.plan, changed.version.plan]
        self.patient = opened.resources.care_plan["subject"]["reference"].split("/")[1]
        clock.now = datetime(2031, 4, 7, 9, tzinfo=UTC)
        self.send(*worked_example.SESSIONS)
        self.send({"kind": "health-state", **worked_example.STATE})
        self.send({"kind": "pause", **worked_example.PAUSE})

    def send(self, *documents: JsonObject) -> list[str]:
        upload = Upload(self.record, BY, received=self.clock.now)
        lines = b"".join(write(document) + b"\n" for document in documents)
        answers = list(upload.take(rows_of(JsonLines(), lines_of([lines]))))
        assert all(answer.status == "accepted" for answer in answers)
        return [str(answer.reference) for answer in answers]

    def ask(self, known_at: datetime | None = None) -> Adherence:
        now = self.clock.now
        return adherence_of_patient(
            self.record, BY, self.patient, FIRST, LAST, known_at=known_at or now, now=now
        )

    def stored(self, reference: str) -> JsonObject:
        body: JsonObject = read(self.record.read(BY, *reference.split("/")).body)
        return body

    def change(self, reference: str, **values: Any) -> None:
        self.clock.now += timedelta(days=1)
        self.record.write([Update(self.stored(reference) | values)], BY)


@pytest.fixture
def clinic(record: Record, clock: Any) -> Clinic:
    return Clinic(record, clock)


def numbers(answer: Adherence) -> dict[str, tuple[float, int, int]]:
    return {
        name: (float(figure.numerator), figure.denominator, figure.paused)
        for name, figure in answer.figures.items()
    }


def test_the_fortnight_worked_by_hand(clinic: Clinic) -> None:
    answer = clinic.ask()
    assert numbers(answer) == worked_example.FIGURES
    assert answer.endings == worked_example.ENDINGS
    assert [f"CarePlan/{plan.id}" for plan in answer.plans] == clinic.plans


def test_the_same_asked_of_either_version_of_the_programme(clinic: Clinic) -> None:
    now = clinic.clock.now
    for plan in clinic.plans:
        scope = scope_of_care_plan(clinic.record, BY, plan.split("/")[1])
        assert scope == Scope(clinic.patient, HOME)
        answer = adherence_of(clinic.record, BY, scope, FIRST, LAST, known_at=now, now=now)
        assert answer == clinic.ask()


def test_reports_conform_to_their_profile_and_say_the_same(
    clinic: Clinic, validator: Validator
) -> None:
    bundle = report_bundle(clinic.ask(), Scope(clinic.patient).subject)
    assert not has_errors(validator.validate(bundle))
    reports = {
        report["measure"].rpartition("-")[2].partition("|")[0]: report
        for report in (entry["resource"] for entry in bundle["entry"])
    }
    for report in reports.values():
        assert not has_errors(validator.validate(report)), validator.validate(report)
    for name, (numerator, due, paused) in worked_example.FIGURES.items():
        counts = {
            population["code"]["coding"][0]["code"]: population["count"]
            for population in reports[name]["group"][0]["population"]
        }
        whole = "measure-population" if name == "dose" else "denominator"
        assert (counts[whole], counts[f"{whole}-exclusion"]) == (due + paused, paused)
        score = reports[name]["group"][0]["measureScore"]
        assert float(score["value"]) == pytest.approx(numerator / due, abs=5e-5)
        assert ("extension" in score) == (name != "dose")
    sessions = reports["sessions"]["group"][0]["population"]
    assert {one["code"]["coding"][0]["code"]: one["count"] for one in sessions[3:]} == {
        "matched": 14, "extra": 2, "over": 0, "not-done": 1, "duplicate": 1,
        "placed": 18, "unplaced": 0, "excluded": 0, "received": 18,
    }  # fmt: skip
    assert len(reports["sessions"]["evaluatedResource"]) == 14
    assert [one["valueCode"] for one in reports["dose"]["extension"] if "valueCode" in one] == [
        "cycles",
        "minutes",
    ]


def test_nothing_due_gives_reports_without_a_score(clinic: Clinic, validator: Validator) -> None:
    now, before = clinic.clock.now, date(2030, 6, 1)
    scope = Scope(clinic.patient, HOME)
    answer = adherence_of(clinic.record, BY, scope, before, before, known_at=now, now=now)
    bundle = report_bundle(answer, scope.subject)
    for report in (entry["resource"] for entry in bundle["entry"]):
        assert not has_errors(validator.validate(report))
        assert report["group"][0]["measureScore"] == {
            "extension": [
                {
                    "url": "http://hl7.org/fhir/StructureDefinition/data-absent-reason",
                    "valueCode": "not-applicable",
                }
            ]
        }


def test_the_ledger_as_a_table(clinic: Clinic) -> None:
    rows = list(csv.DictReader(io.StringIO(ledger_csv(clinic.ask()))))
    due = [row for row in rows if row["line"] == "due"]
    assert len(due) == 24
    assert [row["outcome"] for row in due].count("done") == 14
    assert [row["outcome"] for row in due].count("paused") == 3
    received = [row["outcome"] for row in rows if row["line"] == "received"]
    assert received == ["duplicate", "extra", "not-done", "extra during pause"]
    assert {(row["rule_version"], bool(row["zone_data"])) for row in rows} == {(RULE_VERSION, True)}
    drainage = [row["at"] for row in due if row["regimen"] == "drainage"]
    assert drainage[0] == "2031-03-25T17:45:00+01:00"


def test_a_change_that_was_a_mistake_and_the_answer_of_then(clinic: Clinic) -> None:
    """Without the second plan OPEP stays at once a day: three less due, one less done."""
    asked, before = clinic.clock.now, clinic.ask()
    clinic.change(clinic.plans[1], status="entered-in-error")
    after = clinic.ask()
    assert numbers(after)["sessions"] == (13, 18, 3)
    assert {f"CarePlan/{plan.id}" for plan in after.plans} == {clinic.plans[0]}
    again = clinic.ask(known_at=asked)
    assert (again.figures, again.ledger, again.received) == (
        before.figures, before.ledger, before.received,
    )  # fmt: skip


def test_what_was_not_yet_known_is_not_used(clinic: Clinic) -> None:
    """On 3 April in the morning the record knew the first plan and not one log."""
    answer = clinic.ask(known_at=datetime(2031, 4, 2, 9, tzinfo=UTC))
    assert answer.received == ()
    assert numbers(answer)["sessions"] == (0, 14 + 4, 0)


def test_a_corrected_part_of_a_plan_counts_from_when_it_was_known(clinic: Clinic) -> None:
    """The regimen's own resource is corrected: OPEP twice a day from the start of the plan."""
    asked = clinic.clock.now
    plan = clinic.stored(clinic.plans[0])
    regimen = plan["activity"][0]["reference"]["reference"]
    timing = clinic.stored(regimen)["occurrenceTiming"]
    twice = {**timing, "repeat": {**timing["repeat"], "frequency": 2}}
    clinic.change(regimen, occurrenceTiming=twice)
    well_days_of_first_plan = 6
    assert numbers(clinic.ask())["sessions"][1] == 21 + well_days_of_first_plan
    assert numbers(clinic.ask(known_at=asked)) == worked_example.FIGURES


def test_a_log_entered_in_error_is_excluded_and_a_deleted_one_is_gone(clinic: Clinic) -> None:
    asked, before = clinic.clock.now, clinic.ask()
    first, second = (row.session.id for row in before.received[:2])
    clinic.change(f"Observation/{first}", status="entered-in-error")
    clinic.clock.now += timedelta(days=1)
    clinic.record.write([Delete("Observation", second)], BY)
    after = clinic.ask()
    assert (after.endings["matched"], after.endings["excluded"]) == (12, 1)
    assert sum(after.endings.values()) == 17
    assert clinic.ask(known_at=asked).received == before.received


def test_what_changes_meaning_in_a_way_we_do_not_know_stops_use(
    clinic: Clinic, validator: Validator
) -> None:
    unknown = [{"url": "https://elsewhere.example/not-really", "valueBoolean": True}]
    first = clinic.ask().received[0].session.id
    clinic.change(f"Observation/{first}", modifierExtension=unknown)
    clinic.change(clinic.plans[1], modifierExtension=unknown)
    answer = clinic.ask()
    assert answer.endings["excluded"] == 1
    assert [one.id for one in answer.left_out] == [clinic.plans[1]]
    assert {f"CarePlan/{plan.id}" for plan in answer.plans} == {clinic.plans[0]}
    bundle = report_bundle(clinic.ask(), Scope(clinic.patient).subject)
    last = bundle["entry"][-1]["resource"]
    assert last["resourceType"] == "OperationOutcome"
    assert "modifierExtension" in last["issue"][0]["diagnostics"]
    alone = single_report("sessions", clinic.ask(), Scope(clinic.patient).subject)
    assert alone["contained"][0]["issue"] == last["issue"]
    assert not has_errors(validator.validate(alone))


@pytest.mark.parametrize(
    ("changes", "due"),
    [
        ({}, 21 - 3),
        ({"status": "planned"}, 21),
        ({"class": {**INPATIENT, "code": "AMB"}}, 21),
    ],
)
def test_a_stay_in_hospital_is_a_pause(clinic: Clinic, changes: JsonObject, due: int) -> None:
    """From noon of 5 April to the night of the 6th: one OPEP of the 5th and both of the 6th."""
    stay = {
        "resourceType": "Encounter",
        "status": "finished",
        "class": INPATIENT,
        "subject": {"reference": f"Patient/{clinic.patient}"},
        "period": {"start": "2031-04-05T12:00:00+02:00", "end": "2031-04-06T23:00:00+02:00"},
    }
    clinic.record.write([Create(stay | changes)], BY)
    assert numbers(clinic.ask())["sessions"][1] == due


def test_questions_that_make_no_sense(clinic: Clinic) -> None:
    now = clinic.clock.now

    def ask(patient: str, first: date, last: date) -> Adherence:
        return adherence_of_patient(clinic.record, BY, patient, first, last, known_at=now, now=now)

    with pytest.raises(NotFound):
        ask("nobody", FIRST, LAST)
    with pytest.raises(Malformed):
        ask(clinic.patient, LAST, FIRST)
    with pytest.raises(Malformed):
        ask(clinic.patient, date(1900, 1, 1), LAST)
    plan = {**clinic.stored(clinic.plans[0]), "identifier": [], "category": []}
    bare = {name: value for name, value in plan.items() if value != []}
    (written,) = clinic.record.write([Create(bare)], BY)
    with pytest.raises(Invalid):
        scope_of_care_plan(clinic.record, BY, written.id)


def test_a_plan_that_cannot_be_followed_is_named_and_left_out(clinic: Clinic) -> None:
    """Written past the documents: a regimen a thousand times a minute."""
    plan = clinic.stored(clinic.plans[1])
    regimen = plan["activity"][0]["reference"]["reference"]
    mad = {"repeat": {"frequency": 1000, "period": 1, "periodUnit": "min"}}
    clinic.change(regimen, occurrenceTiming=mad)
    answer = clinic.ask()
    assert [one.id for one in answer.left_out] == [clinic.plans[1]]
    assert "Programme.regimen[0].schedule.period" in answer.left_out[0].reason


def test_rows_that_cannot_be_read_are_among_those_received(clinic: Clinic) -> None:
    """A session of the year 1850, which no answer can hold: received, excluded, and named."""
    first = clinic.ask().received[0].session.id
    told = clinic.stored(f"Observation/{first}")
    long_ago = {"start": "1850-03-24T07:30:00+01:00", "end": "1850-03-24T07:50:00+01:00"}
    odd = {name: value for name, value in told.items() if name not in ("id", "meta", "identifier")}
    odd["identifier"] = [told["identifier"][0] | {"value": "s-99"}]
    clinic.clock.now += timedelta(days=1)
    clinic.record.write([Create(odd | {"effectivePeriod": long_ago})], BY)
    answer = clinic.ask()
    counts = answer.row_counts
    assert (counts.received, counts.placed, counts.unplaced, counts.excluded) == (19, 18, 0, 1)
    assert [one.kind for one in answer.left_out] == ["session"]
    population = report_bundle(answer, Scope(clinic.patient).subject)["entry"][0]["resource"]
    told = {
        one["code"]["coding"][0]["code"]: one["count"]
        for one in population["group"][0]["population"]
    }
    assert (told["received"], told["placed"], told["excluded"]) == (19, 18, 1)
