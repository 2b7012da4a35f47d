"""Safety findings in the record: told with the log, told once, taken back, answered."""

from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime
from decimal import Decimal
from typing import Any

import pytest
from safety_family import TEAM, Family, bleed, session
from search_language import parameters
from set_clock import Clock

from service.fhir.validation import Validator
from service.programme.safety import DEFAULT_POLICY, SafetyPolicy
from service.record import Change, Record, Update
from service.record.changes import Delete
from service.record.safety import SafetyWatch
from service.record.view import View
from service.store.contract import Version
from service.store.sqlite import SqliteStore


def _record(
    store: SqliteStore, validator: Validator, clock: Clock, policy: SafetyPolicy = DEFAULT_POLICY
) -> Record:
    return Record(store, validator, clock, parameters(), follower=SafetyWatch(policy))


@pytest.fixture
def family(store: SqliteStore, validator: Validator, clock: Clock) -> Family:
    return Family(_record(store, validator, clock), clock)


def _evidence(issue: dict[str, Any]) -> list[str]:
    return [one["detail"][0]["reference"] for one in issue["evidence"]]


def test_five_millilitres_give_one_finding_with_its_evidence_and_one_task(family: Family) -> None:
    (answer,) = family.send(bleed(1, Decimal("5.0")))
    assert answer.alarm is not None
    assert set(family.issues()) == set(family.tasks()) == {"blood-more", "blood-first"}
    issue, task = family.issues()["blood-more"], family.tasks()["blood-more"]
    assert (issue["status"], issue["severity"]) == ("final", "high")
    assert issue["identifiedDateTime"] == "2031-05-28T07:00:00+02:00"
    assert _evidence(issue) == [f"{answer.reference}/_history/1"]
    assert issue["evidence"][0]["code"] == [
        {"text": "streaks of blood, 5.0 mL, graded by clinic scheme"}
    ]
    assert "Expected: less than 5 mL and no more than streaks" in issue["detail"]
    assert "Am J Respir Crit Care Med 2010;182:298" in issue["detail"]
    assert "reference" not in issue
    patient = issue["patient"]["reference"]
    assert issue["identifier"][0]["value"] == f"{patient.removeprefix('Patient/')}|blood-more|"
    assert (task["status"], task["intent"], task["priority"]) == ("requested", "order", "urgent")
    assert task["focus"]["reference"] == f"DetectedIssue/{issue['id']}"
    assert task["for"]["reference"] == patient
    assert task["owner"] == family.all("CarePlan")[0]["careTeam"][0]
    assert task["owner"]["reference"].startswith("CareTeam/")


def test_less_than_five_millilitres_is_told_the_same_day(family: Family) -> None:
    (answer,) = family.send(bleed(1, Decimal("4.9")))
    assert answer.alarm is None
    assert answer.to_json()["notice"] == (
        "Logged: a little blood. Nobody watches these logs. Carry on as the plan says, and tell "
        "the team the same day."
    )
    assert set(family.issues()) == {"blood-scant", "blood-first"}
    assert family.issues()["blood-scant"]["severity"] == "moderate"
    assert family.tasks()["blood-scant"]["priority"] == "asap"


def test_a_source_with_an_address_is_referred_to(family: Family) -> None:
    family.send(session(1, spo2=89))
    issue = family.issues()["oxygen-low"]
    assert issue["reference"] == "https://www.ncbi.nlm.nih.gov/pmc/articles/PMC3844027/"


def test_sent_again_tells_nothing_new(family: Family) -> None:
    family.send(bleed(1, 12))
    before = [family.all(type_) for type_ in ("DetectedIssue", "Task", "Provenance")]
    assert [answer.status for answer in family.send(bleed(1, 12))] == ["duplicate"]
    assert [family.all(type_) for type_ in ("DetectedIssue", "Task", "Provenance")] == before


def test_new_evidence_is_added_and_makes_no_second_task(family: Family) -> None:
    first, second = (*family.send(bleed(1, 12, 26)), *family.send(bleed(2, 15, 28)))
    issue = family.issues()["blood-more"]
    assert _evidence(issue) == [f"{one.reference}/_history/1" for one in (first, second)]
    assert "15 mL" in family.tasks()["blood-more"]["description"]
    assert len(family.all("Task")) == len(family.tasks()) == 3  # more, first, repeated
    assert len(family.all("DetectedIssue")) == 3


def test_many_rows_of_one_batch_make_one_finding(family: Family) -> None:
    family.send(*(bleed(number, 12, number) for number in range(2, 27)))
    assert len(_evidence(family.issues()["blood-more"])) == 25
    assert [one["meta"]["versionId"] for one in family.all("Task")] == ["1"] * 3


def test_a_task_that_was_completed_is_requested_again_by_new_evidence_only(
    family: Family,
) -> None:
    family.send(bleed(1, 12, 26))
    family.put(family.tasks()["blood-more"], status="completed")
    family.send(bleed(1, 12, 26), session(3, 27, chestPain=True))
    assert family.tasks()["blood-more"]["status"] == "completed"
    family.send(bleed(2, 15, 28))
    assert family.tasks()["blood-more"]["status"] == "requested"


def test_a_task_that_somebody_is_at_stays_with_them(family: Family) -> None:
    family.send(bleed(1, 12, 26))
    owner = {"display": "Rune Sample"}
    family.put(family.tasks()["blood-more"], status="in-progress", owner=owner)
    family.send(bleed(2, 15, 28))
    task = family.tasks()["blood-more"]
    assert (task["status"], task["owner"]) == ("in-progress", owner)
    assert "15 mL" in task["description"]


def test_the_answer_of_a_clinician_is_kept(family: Family) -> None:
    family.send(bleed(1, 12, 26))
    practitioner = family.all("CarePlan")[0]["author"]["reference"]
    answer = {
        "action": {"text": "Seen, the programme goes on"},
        "date": "2031-05-26",
        "author": {"reference": practitioner},
    }
    family.put(family.issues()["blood-more"], mitigation=[answer])
    family.send(bleed(2, 15, 28))
    issue = family.issues()["blood-more"]
    assert issue["mitigation"] == [answer]
    assert len(issue["evidence"]) == 2


def test_what_was_entered_in_error_counts_no_more(family: Family) -> None:
    first, second = (*family.send(bleed(1, 12, 26)), *family.send(bleed(2, 15, 28)))
    family.put(family.observation(second), status="entered-in-error")
    assert _evidence(family.issues()["blood-more"]) == [f"{first.reference}/_history/1"]
    assert family.tasks()["blood-repeated"]["status"] == "cancelled"
    assert family.issues()["blood-repeated"]["status"] == "entered-in-error"
    family.put(family.observation(first), status="entered-in-error")
    assert {one["status"] for one in family.all("DetectedIssue")} == {"entered-in-error"}
    assert {one["status"] for one in family.all("Task")} == {"cancelled"}


def test_a_session_that_is_deleted_counts_no_more(family: Family) -> None:
    (answer,) = family.send(bleed(1, 12))
    _, _, id_ = str(answer.reference).partition("/")
    family.record.write([Delete("Observation", id_)], TEAM)
    assert family.issues()["blood-more"]["status"] == "entered-in-error"


def test_a_correction_moves_the_evidence(family: Family) -> None:
    family.send(bleed(1, 12))
    family.send(bleed(1, 2))
    assert family.issues()["blood-more"]["status"] == "entered-in-error"
    assert family.tasks()["blood-more"]["status"] == "cancelled"
    assert family.tasks()["blood-scant"]["status"] == "requested"
    family.send(bleed(1, 13))
    assert family.issues()["blood-more"]["status"] == "final"
    assert family.tasks()["blood-more"]["status"] == "requested"
    assert "statusReason" not in family.tasks()["blood-more"]


def test_a_correction_of_something_else_reopens_nothing(family: Family) -> None:
    (answer,) = family.send(bleed(1, 12))
    family.put(family.tasks()["blood-more"], status="completed")
    family.put(family.observation(answer), note=[{"text": "asked the family"}])
    assert family.tasks()["blood-more"]["status"] == "completed"


def test_findings_are_told_in_the_unit_of_work_of_the_log(family: Family) -> None:
    family.send(bleed(1, 12))
    instants = {
        one.instant
        for type_ in ("DetectedIssue", "Task", "Observation")
        for one in family.record.search(TEAM, type_).versions
    }
    assert len(instants) == 1
    told = [one for one in family.all("Provenance") if "Safety rules" in str(one["agent"])]
    assert len(told) == 1
    assert len(told[0]["target"]) == 4


def test_a_log_that_came_as_a_resource_is_looked_through(family: Family) -> None:
    (answer,) = family.send(session(1))
    calm = family.observation(answer)
    pain = {"code": _part("chest-pain"), "valueBoolean": True}
    family.put(calm, component=[*calm["component"], pain])
    assert set(family.issues()) == {"chest-pain"}
    assert family.tasks()["chest-pain"]["priority"] == "stat"


def test_what_cannot_be_read_hides_nothing_else(family: Family) -> None:
    (answer,) = family.send(session(1, chestPain=True))
    stored = family.observation(answer)
    says: dict[str, dict[str, Any]] = {
        "odd": {"modifierExtension": [{"url": "https://x.example/not", "valueBoolean": True}]},
        "long-ago": {"effectivePeriod": {"start": "1801-05-01T07:00:00+02:00"}},
    }
    for id_, change in says.items():
        own = {"system": "https://elsewhere.example/log", "value": id_}
        family.put(stored | {"id": id_, "identifier": [own]} | change)
    family.send(bleed(2, 12))
    assert set(family.issues()) == {"chest-pain", "blood-more", "blood-first"}
    assert len(_evidence(family.issues()["chest-pain"])) == 1


def test_the_clinic_s_numbers_count(store: SqliteStore, validator: Validator, clock: Clock) -> None:
    numbers = {("blood-more", "millilitres"): Decimal(20)}
    policy = replace(DEFAULT_POLICY, numbers=numbers)
    family = Family(_record(store, validator, clock, policy), clock)
    family.send(bleed(1, 12))
    assert set(family.issues()) == {"blood-scant", "blood-first"}


def test_what_others_changed_in_a_finding_does_not_stop_the_log(family: Family) -> None:
    """A finding that could not be written is logged; the session is kept."""
    family.send(bleed(1, 12, 26))
    family.record.write([Delete("Task", family.tasks()["blood-more"]["id"])], TEAM)
    family.record.write([Delete("DetectedIssue", family.issues()["blood-more"]["id"])], TEAM)
    (answer,) = family.send(bleed(2, 15, 28))
    assert answer.status == "accepted"
    assert family.tasks()["blood-more"]["status"] == "requested"


class _Clumsy:
    """A follower that wants to write what no profile allows, beside something that may be."""

    actor = TEAM
    reason = "A test"

    def changes(
        self,
        view: View,  # noqa: ARG002
        written: Sequence[Version],  # noqa: ARG002
        now: datetime,  # noqa: ARG002
    ) -> list[Change]:
        nobody = {"resourceType": "DetectedIssue", "id": "bad", "status": "whatever"}
        flag = {"resourceType": "Basic", "id": "good", "code": {"text": "followed"}}
        return [Update(nobody), Update(flag)]


def test_what_cannot_be_written_undoes_nothing(
    store: SqliteStore, validator: Validator, clock: Clock
) -> None:
    family = Family(Record(store, validator, clock, parameters(), follower=_Clumsy()), clock)
    (answer,) = family.send(session(1))
    assert answer.status == "accepted"
    assert family.observation(answer)["status"] == "final"
    assert family.all("DetectedIssue") == []
    assert [one["id"] for one in family.all("Basic")] == ["good"]


def test_a_child_who_cannot_be_looked_through_keeps_the_log(
    store: SqliteStore, validator: Validator, clock: Clock
) -> None:
    """Numbers that no clinic's file can hold make the rules fail; the log is kept all the same."""
    broken = replace(DEFAULT_POLICY, numbers={("blood-massive", "hours"): Decimal("1e30")})
    family = Family(_record(store, validator, clock, broken), clock)
    (answer,) = family.send(bleed(1, 12))
    assert answer.status == "accepted"
    assert answer.alarm is not None
    assert family.all("DetectedIssue") == []


def _part(code: str) -> dict[str, Any]:
    system = "https://airway-programmes.example/fhir/CodeSystem/airway-session-part"
    return {"coding": [{"system": system, "code": code}]}
