"""A child with a plan, a family that sends logs, and what the record tells of them."""

from datetime import UTC, datetime, timedelta
from typing import Any

from set_clock import Clock

from service.fhir.json import read, write
from service.mapping.feed_lines import lines_of
from service.mapping.feeds import JsonLines, rows_of
from service.record import Actor, Record, Update
from service.record.programmes import Programmes
from service.record.row_answers import RowAnswer
from service.record.sessions import Upload

TEAM = Actor("Rune Sample, physiotherapist")
PHONE = Actor("A family's phone")
CHILD = {"system": "https://clinic.example/id/child", "value": "C-71"}
NOW = datetime(2031, 5, 29, 12, tzinfo=UTC)

PROGRAMME = {
    "id": "home-c-71",
    "child": {"identifier": [CHILD], "name": {"text": "Juna Matchbox"}, "birthDate": "2019-02-03"},
    "author": {"name": {"text": "Rune Sample"}},
    "team": {"name": "Airway team"},
    "start": "2031-05-01",
    "timeZone": [{"zone": "Europe/Paris"}],
    "device": [{"key": "blower", "kind": "opep-handheld"}],
    "regimen": [
        {
            "key": "opep",
            "technique": "opep",
            "healthState": "any",
            "device": "blower",
            "schedule": {"frequency": 2, "period": 1, "periodUnit": "d"},
            "dose": {"basis": "cycles", "cycles": 6, "breaths": 10, "setting": {"value": 3}},
        }
    ],
    "review": {"due": "2031-06-15"},
    "safetyNet": [{"sign": "Blood", "action": "Stop and call", "contact": "Team, +44 1632 960001"}],
}


def session(number: int, day: int = 28, /, **more: Any) -> dict[str, Any]:
    """A session of that day in May 2031, in the morning."""
    return {
        "id": {"system": "https://diary.example/session", "value": str(number)},
        "source": "family diary",
        "child": CHILD,
        "technique": "opep",
        "start": f"2031-05-{day:02}T07:00:00+02:00",
        "recordedBy": "diary",
        "outcome": "complete",
        "cycles": 6,
    } | more


def bleed(number: int, millilitres: Any, day: int = 28) -> dict[str, Any]:
    blood = {"seen": "streaks", "volume": millilitres, "scheme": "clinic scheme"}
    return session(number, day, blood=blood)


class Family:
    """Sends rows to a record that is looked through, and asks what it tells."""

    def __init__(self, record: Record, clock: Clock) -> None:
        self.record = record
        self.clock = clock
        clock.now = NOW - timedelta(days=28)
        Programmes(record, clock).post(PROGRAMME, TEAM)
        clock.now = NOW

    def send(self, *documents: Any) -> list[RowAnswer]:
        self.clock.now += timedelta(seconds=1)
        upload = Upload(self.record, PHONE, received=self.clock())
        data = b"".join(write(one) + b"\n" for one in documents)
        return list(upload.take(rows_of(JsonLines(), lines_of([data]))))

    def all(self, type_: str) -> list[dict[str, Any]]:
        return [read(one.body) for one in self.record.search(TEAM, type_).versions]

    def issues(self) -> dict[str, dict[str, Any]]:
        """DetectedIssues by rule."""
        return {one["code"]["coding"][0]["code"]: one for one in self.all("DetectedIssue")}

    def tasks(self) -> dict[str, dict[str, Any]]:
        """Tasks by rule."""
        return {one["code"]["coding"][0]["code"]: one for one in self.all("Task")}

    def put(self, resource: dict[str, Any], **changes: Any) -> None:
        """A person changes a resource."""
        self.clock.now += timedelta(seconds=1)
        self.record.write([Update(resource | changes)], TEAM)

    def observation(self, answer: RowAnswer) -> dict[str, Any]:
        assert answer.reference is not None, answer.to_json()
        type_, _, id_ = answer.reference.partition("/")
        found: dict[str, Any] = read(self.record.read(TEAM, type_, id_).body)
        return found
