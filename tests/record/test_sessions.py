"""Session logs into the record: each row gets the end it deserves, and only once."""

from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, datetime
from typing import Any

import pytest

from service.fhir.json import read, write
from service.fhir.search.terms import Condition, TokenValue
from service.mapping.feed_lines import lines_of
from service.mapping.feeds import JsonLines, rows_of
from service.mapping.logs import observation_to_session
from service.record import Actor, Create, Record, Update
from service.record.programmes import Programmes
from service.record.row_answers import RowAnswer
from service.record.sessions import BATCH, Upload

FAMILY = Actor("A family's phone")
CHILD = {"system": "https://clinic.example/id/child", "value": "C-01"}
ENTRY = "https://clinic.example/id/app-entry"
RECEIVED = datetime(2031, 3, 9, 8, tzinfo=UTC)

PROGRAMME = {
    "id": "home-c-01",
    "child": {
        "identifier": [CHILD],
        "name": {"text": "Ottoline Paperlantern"},
        "birthDate": "2023-02-03",
        "sex": "female",
    },
    "author": {"name": {"text": "Isolde Thimblewick"}},
    "team": {"name": "Airway clearance team"},
    "start": "2031-01-01",
    "timeZone": [{"zone": "Europe/Paris"}],
    "regimen": [
        {
            "key": "blower",
            "technique": "opep",
            "healthState": "any",
            "schedule": {"frequency": 2, "period": 1, "periodUnit": "d"},
            "dose": {"basis": "cycles", "cycles": 6, "breaths": 10},
        }
    ],
    "safetyNet": [
        {"sign": "Blood", "action": "Stop and call", "contact": "Team, +44 1632 960001"},
    ],
}


def session(number: int, /, **more: Any) -> dict[str, Any]:
    return {
        "id": {"system": ENTRY, "value": str(number)},
        "source": "family-app",
        "child": CHILD,
        "technique": "opep",
        "regimen": "blower",
        "start": f"2031-03-{number % 8 + 1:02d}T07:00:00+01:00",
        "recordedBy": "diary",
        "outcome": "complete",
        "cycles": 6,
    } | more


def without_id(number: int, **more: Any) -> dict[str, Any]:
    return {name: value for name, value in session(number, **more).items() if name != "id"}


class Family:
    """Sends rows and asks what the record has."""

    def __init__(self, record: Record) -> None:
        self.record = record

    def send(
        self,
        *documents: Any,
        received: datetime = RECEIVED,
        device_clock: datetime | None = None,
    ) -> list[RowAnswer]:
        upload = Upload(self.record, FAMILY, received=received, device_clock=device_clock)
        data = b"".join(
            (one if isinstance(one, bytes) else write(one)) + b"\n" for one in documents
        )
        return list(upload.take(rows_of(JsonLines(), lines_of([data]))))

    def stored(self, answer: RowAnswer) -> dict[str, Any]:
        assert answer.reference is not None, answer.to_json()
        type_, _, id_ = answer.reference.partition("/")
        resource: dict[str, Any] = read(self.record.read(FAMILY, type_, id_).body)
        return resource

    def observations(self) -> int:
        return self.record.total(FAMILY, "Observation")


@pytest.fixture
def family(record: Record, clock: Any) -> Family:
    Programmes(record, clock).post(PROGRAMME, FAMILY)
    return Family(record)


def statuses(answers: Sequence[RowAnswer]) -> list[str]:
    return [answer.status for answer in answers]


def test_a_session_becomes_an_observation_of_the_child_and_the_regimen(family: Family) -> None:
    (answer,) = family.send(session(1))
    assert answer.to_json() == {"row": 1, "status": "accepted", "reference": answer.reference}
    stored = family.stored(answer)
    assert stored["status"] == "final"
    assert stored["identifier"] == [{"system": ENTRY, "value": "1"}]
    assert stored["basedOn"][0]["identifier"]["value"] == "home-c-01/blower"
    subject = stored["subject"]
    assert subject["identifier"] == CHILD
    patient = read(family.record.read(FAMILY, *subject["reference"].split("/")).body)
    assert patient["birthDate"] == "2023-02-03"
    session_again = observation_to_session(stored)
    assert session_again.to_json()["start"] == "2031-03-02T07:00:00+01:00"


def test_the_same_file_twice_changes_nothing_and_says_so(family: Family) -> None:
    rows = [session(number) for number in range(BATCH + 20)]
    first = family.send(*rows)
    assert statuses(first) == ["accepted"] * len(rows)
    before = family.record.events(0, 10_000)
    second = family.send(*rows)
    assert statuses(second) == ["duplicate"] * len(rows)
    assert [answer.reference for answer in second] == [answer.reference for answer in first]
    assert family.record.events(0, 10_000) == before


def test_a_row_without_identifier_is_known_by_what_it_says(family: Family) -> None:
    (first,) = family.send(without_id(1))
    again, in_utc, exercise = family.send(
        without_id(1),
        without_id(1, start="2031-03-02T06:00:00Z"),
        without_id(1, technique="exercise", regimen=None),
    )
    assert (again.status, again.reference) == ("duplicate", first.reference)
    assert (in_utc.status, in_utc.reference) == ("duplicate", first.reference)
    assert exercise.status == "accepted"
    assert exercise.reference != first.reference


def test_the_same_identifier_with_other_content_is_a_new_version(family: Family) -> None:
    (first,) = family.send(session(1, cycles=6))
    (second,) = family.send(session(1, cycles=4))
    assert (second.status, second.reference) == ("amended", first.reference)
    stored = family.stored(second)
    assert (stored["status"], stored["meta"]["versionId"]) == ("amended", "2")
    assert observation_to_session(stored).cycles == 4
    assert family.observations() == 1


def test_within_one_batch_the_same_row_is_known_again(family: Family) -> None:
    answers = family.send(session(1), session(1), session(1, cycles=4), session(1, cycles=4))
    assert statuses(answers) == ["accepted", "duplicate", "amended", "duplicate"]
    assert len({answer.reference for answer in answers}) == 1
    assert family.stored(answers[0])["meta"]["versionId"] == "2"


def test_two_uploads_of_one_file_at_the_same_time_keep_each_row_once(family: Family) -> None:
    rows = [session(number) for number in range(60)]
    with ThreadPoolExecutor(2) as both:
        first, second = both.map(lambda _: family.send(*rows), range(2))
    for one, other in zip(first, second, strict=True):
        assert {one.status, other.status} == {"accepted", "duplicate"}
        assert one.reference == other.reference
    assert family.observations() == len(rows)


def test_an_old_file_does_not_undo_what_its_sender_said_later(family: Family) -> None:
    family.send(session(1, cycles=6))
    family.send(session(1, cycles=4))
    (old,) = family.send(session(1, cycles=6))
    assert old.status == "duplicate"
    assert "a later version" in old.findings[0].diagnostics
    assert observation_to_session(family.stored(old)).cycles == 4


def test_an_old_file_does_not_undo_what_a_person_corrected(family: Family) -> None:
    (first,) = family.send(session(1, cycles=6))
    stored = family.stored(first)
    wrong = {**stored, "status": "entered-in-error"}
    family.record.write([Update(wrong)], Actor("A clinician"))
    (again,) = family.send(session(1, cycles=6))
    assert again.status == "duplicate"
    (changed,) = family.send(session(1, cycles=5))
    assert changed.status == "refused"
    assert "entered in error" in changed.findings[0].diagnostics
    assert family.stored(again)["status"] == "entered-in-error"


def test_what_others_added_survives_an_amendment(family: Family) -> None:
    (first,) = family.send(session(1))
    noted = {**family.stored(first), "note": [{"text": "Seen in clinic"}]}
    family.record.write([Update(noted)], Actor("A hospital system"))
    (second,) = family.send(session(1, cycles=4))
    assert family.stored(second)["note"] == [{"text": "Seen in clinic"}]


def test_an_identifier_of_something_else_is_not_taken_over(family: Family, clock: Any) -> None:
    other = {
        "resourceType": "Observation",
        "status": "final",
        "identifier": [{"system": ENTRY, "value": "1"}],
        "code": {"text": "Weight"},
    }
    (made,) = family.record.write([Create(other)], FAMILY)
    (answer,) = family.send(session(1))
    assert answer.status == "refused"
    assert "something else" in answer.findings[0].diagnostics
    assert family.record.read(FAMILY, "Observation", made.id).version == 1


def test_a_bad_row_is_refused_with_its_number_and_fails_nobody_else(family: Family) -> None:
    nobody = {"system": CHILD["system"], "value": "C-99"}
    answers = family.send(
        session(1),
        b'{"technique":',
        session(2, child=nobody),
        session(3, technique="trombone", cycles=-1),
        session(4, regimen="juggling"),
        session(5, start="2022-12-24T07:00:00+01:00"),
        session(6, end="2031-03-06T06:00:00+01:00"),
        session(7),
    )
    assert statuses(answers) == ["accepted", *["refused"] * 6, "accepted"]
    assert [answer.row for answer in answers] == list(range(1, 9))
    places = [[finding.expression for finding in answer.findings] for answer in answers[1:-1]]
    assert places[1] == ["Session.child"]
    assert sorted(places[2]) == ["Session.cycles", "Session.technique"]
    assert places[3:] == [["Session.regimen"], ["Session.start"], ["Session.end"]]
    assert all(answer.to_json()["issue"] for answer in answers[1:-1])
    assert family.observations() == 2


def test_states_and_pauses_come_the_same_way(family: Family) -> None:
    unwell = {
        "kind": "health-state",
        "source": "family-app",
        "child": CHILD,
        "state": "unwell",
        "start": "2031-03-03",
    }
    pause = {
        "kind": "pause",
        "source": "clinic-desk",
        "child": CHILD,
        "start": "2031-03-05",
        "end": "2031-03-06",
        "reason": "agreed-holiday",
        "decidedBy": "The family and the physiotherapist",
    }
    assert statuses(family.send(unwell, pause)) == ["accepted", "accepted"]
    assert statuses(family.send(unwell, pause)) == ["duplicate", "duplicate"]
    (ended,) = family.send({**unwell, "end": "2031-03-08"})
    assert ended.status == "amended"
    assert family.stored(ended)["effectivePeriod"] == {"start": "2031-03-03", "end": "2031-03-08"}
    (backwards,) = family.send({**pause, "start": "2031-03-07"})
    assert backwards.status == "refused"
    assert backwards.findings[0].expression == "Pause.end"


@pytest.mark.parametrize(
    ("says", "sign"),
    [
        ({"blood": {"seen": "more-than-streaks"}}, "more than streaks of blood"),
        ({"chestPain": True}, "chest pain"),
        ({"faint": True}, "faintness"),
        ({"stoppedEarly": "could not go on"}, "stopped early"),
    ],
)
def test_a_sign_that_cannot_wait_is_stored_and_answered_with_the_plan_s_own_words(
    family: Family, says: dict[str, Any], sign: str
) -> None:
    for expected in ("accepted", "duplicate"):
        (answer,) = family.send(session(1, **says))
        assert answer.status == expected
        line = answer.to_json()
        assert sign in line["notice"]
        assert "Nobody watches these logs" in line["notice"]
        assert line["caution"] == PROGRAMME["safetyNet"]


def test_a_row_that_is_refused_is_not_silent_about_such_a_sign(family: Family) -> None:
    (answer,) = family.send(session(1, chestPain=True, technique="trombone"))
    assert answer.status == "refused"
    line = answer.to_json()
    assert line["notice"].startswith("Not logged, but named: chest pain. Nobody watches these logs")
    assert line["caution"] == PROGRAMME["safetyNet"]


@pytest.mark.parametrize("says", [{}, {"blood": {"seen": "streaks"}}, {"chestPain": False}])
def test_streaks_or_nothing_at_all_raise_no_alarm(family: Family, says: dict[str, Any]) -> None:
    (answer,) = family.send(session(1, **says))
    assert answer.alarm is None


def test_clocks_that_are_wrong(family: Family) -> None:
    """An upload at 08:00Z on 9 March from a clock that shows two days before; then one that does
    not say what its clock shows."""
    behind = datetime(2031, 3, 7, 8, tzinfo=UTC)
    first, second = family.send(
        session(1, start="2031-03-06T07:00:00Z"),
        session(2, start="2031-03-07T07:00:00Z"),
        device_clock=behind,
    )
    stored = observation_to_session(family.stored(first))
    assert stored.start == datetime(2031, 3, 8, 7, tzinfo=UTC)
    assert stored.device_start == datetime(2031, 3, 6, 7, tzinfo=UTC)
    assert stored.clock == "corrected"
    assert observation_to_session(family.stored(second)).start.day == 9
    flags = [
        observation_to_session(family.stored(answer)).clock
        for answer in family.send(
            session(3, start="1970-01-01T00:12:00Z"),
            session(4, start="2031-03-11T07:00:00Z"),
            session(5, start="2031-03-09T08:03:00Z"),
        )
    ]
    assert flags == ["suspect", "suspect", None]


def test_the_offset_of_a_clock_is_in_the_provenance(family: Family) -> None:
    (answer,) = family.send(session(1), device_clock=datetime(2031, 3, 7, 8, tzinfo=UTC))
    found = family.record.search(FAMILY, "Provenance").versions
    last = read(found[-1].body)
    assert last["target"] == [{"reference": f"{answer.reference}/_history/1"}]
    assert "172800 seconds" in last["reason"][0]["text"]


def test_a_row_sent_again_with_or_without_its_clock_is_the_same_row(family: Family) -> None:
    behind = datetime(2031, 3, 7, 8, tzinfo=UTC)
    row = without_id(1, start="2031-03-06T07:00:00Z")
    (first,) = family.send(row, device_clock=behind)
    later = datetime(2031, 3, 9, 8, 0, 42, tzinfo=UTC)
    (again,) = family.send(row, received=later, device_clock=behind)
    (bare,) = family.send(row)
    assert statuses([first, again, bare]) == ["accepted", "duplicate", "duplicate"]
    assert len({answer.reference for answer in (first, again, bare)}) == 1


def test_a_later_offset_settles_a_doubtful_clock(family: Family) -> None:
    row = session(1, start="1970-01-02T07:00:00Z")
    (doubted,) = family.send(row)
    assert observation_to_session(family.stored(doubted)).clock == "suspect"
    (settled,) = family.send(row, device_clock=datetime(1970, 1, 3, 8, tzinfo=UTC))
    assert (settled.status, settled.reference) == ("amended", doubted.reference)
    stored = observation_to_session(family.stored(settled))
    assert (stored.clock, stored.start) == ("corrected", datetime(2031, 3, 8, 7, tzinfo=UTC))


def test_the_birth_date_is_held_against_the_corrected_time(family: Family) -> None:
    behind = datetime(2005, 1, 1, 8, tzinfo=UTC)
    early, never = family.send(
        session(1, start="2004-12-31T07:00:00Z"),
        session(2, start="1979-01-01T07:00:00Z"),
        device_clock=behind,
    )
    assert early.status == "accepted"
    assert never.status == "refused"
    assert never.findings[0].key == "before-birth"


def test_what_stays_impossible_after_correction_is_not_moved(family: Family) -> None:
    (answer,) = family.send(
        session(1, start="2031-03-09T07:00:00Z"), device_clock=datetime(2031, 3, 7, 8, tzinfo=UTC)
    )
    stored = observation_to_session(family.stored(answer))
    assert (stored.clock, stored.device_start) == ("suspect", None)
    assert stored.start == datetime(2031, 3, 9, 7, tzinfo=UTC)


def test_two_children_with_one_identifier_are_not_guessed_between(family: Family) -> None:
    twin = {"resourceType": "Patient", "identifier": [CHILD]}
    family.record.write([Create(twin)], FAMILY)
    (answer,) = family.send(session(1))
    assert answer.status == "refused"
    assert "more than one child" in answer.findings[0].diagnostics


def test_the_index_finds_what_was_loaded(family: Family) -> None:
    (answer,) = family.send(session(1))
    identifier = Condition("identifier", "token", (TokenValue(ENTRY, "1"),))
    (found,) = family.record.search(FAMILY, "Observation", [identifier]).versions
    assert f"Observation/{found.id}" == answer.reference
