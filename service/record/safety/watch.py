"""Safety findings kept in the record: a DetectedIssue and a Task for the team for each.

What a session log brings about is found in the unit of work that stores the log. What the clock
brings about is found when somebody asks: nobody watches.
"""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime

import structlog

from service.fhir.json import JsonObject, read
from service.fhir.search.terms import Condition
from service.mapping.findings import Subject, id_of, name_in
from service.programme.adherence import History, LeftOut
from service.programme.adherence.timeline import Timeline
from service.programme.safety import SafetyFinding, SafetyPolicy, assess
from service.programme.zones import zone
from service.record.changes import Actor, Change
from service.record.child_history import history_seen
from service.record.safety.gate import Gate
from service.record.safety.told import OnFile, Standing, changes_for
from service.record.view import View
from service.store.contract import Key, Version

log = structlog.get_logger("airway.safety")

CANNOT_LOOK = (ArithmeticError, AttributeError, LookupError, TypeError, ValueError)
"""What a child's data may lead to that nobody foresaw. It must not undo a log that was kept, nor
keep the other children from being looked through."""


@dataclass(frozen=True, slots=True)
class Look:
    """What was found for one child: what holds now, what has to be written to tell it, and what of
    the child's could not be read."""

    findings: tuple[SafetyFinding, ...]
    changes: tuple[Change, ...]
    left_out: Sequence[LeftOut]


class SafetyWatch:
    """Looks a child's logs and plans through by the clinic's rules. Follows every write."""

    actor = Actor("Safety rules of this service", role="assembler")
    reason = "Looked through by the safety rules"

    def __init__(self, policy: SafetyPolicy) -> None:
        self._policy = policy
        self._gate = Gate(policy)

    def changes(self, view: View, written: Sequence[Version], now: datetime) -> list[Change]:
        """What follows from sessions that were written: for every child whose session names a
        sign, or named one in the version before."""
        patients = self._patients(view, written)
        return [change for id_ in patients for change in self._looked(view, id_, now)]

    def look(self, view: View, patient_id: str, now: datetime) -> Look:
        """Everything that holds for a child, by all that the record has."""
        history = history_seen(view, patient_id, now, now=now)
        findings = assess(history, self._policy, now=now)
        on_file = _on_file(view, patient_id, findings)
        ever = assess(history, self._policy.ever(), now=now) if on_file.issues else ()
        subject = Subject(patient_id, _team(view, history, now))
        standing = Standing.of(history, ever, subject, now)
        changes = tuple(changes_for(findings, on_file, standing, subject, now))
        return Look(findings, changes, history.left_out)

    def _looked(self, view: View, patient_id: str, now: datetime) -> Iterable[Change]:
        """A log is kept whatever happens here."""
        try:
            return self.look(view, patient_id, now).changes
        except CANNOT_LOOK as error:
            log.error("a child could not be looked through", error=type(error).__name__)
            return ()

    def _patients(self, view: View, written: Sequence[Version]) -> list[str]:
        logs = [one for one in written if one.type == "Observation"]
        before = _versions_before(view, [one for one in logs if one.version > 1 or one.deleted])
        named = (self._gate.patient(one.body) for one in (*logs, *before) if not one.deleted)
        return sorted({id_ for id_ in named if id_ is not None})


def _versions_before(view: View, changed: Sequence[Version]) -> Iterator[Version]:
    numbers = {(one.type, one.id): one.version for one in changed}
    for version in view.versions(numbers):
        if version.version == numbers[version.type, version.id] - 1:
            yield version


def _on_file(view: View, patient_id: str, findings: Iterable[SafetyFinding]) -> OnFile:
    of_child = Condition.refers_to("patient", "Patient", patient_id)
    issues: dict[str, JsonObject] = {}
    for version in view.search("DetectedIssue", [of_child]).versions:
        issue = read(version.body)
        name = name_in(issue)
        if name is not None and version.id == id_of(name):
            issues[name] = issue
    subject = Subject(patient_id)
    names = {*issues, *(subject.name_of(one.rule, one.about) for one in findings)}
    keys: dict[Key, str] = {("Task", id_of(name)): name for name in names}
    found = view.current(list(keys))
    return OnFile(issues, {keys[key]: read(version.body) for key, version in found.items()})


def _team(view: View, history: History, now: datetime) -> JsonObject | None:
    """The team of the plan in force, as the plan refers to it."""
    plan = Timeline(history, now, zone).plan_at(now)
    key = ("CarePlan", plan.known.id) if plan else None
    stored = view.current([key]).get(key) if key else None
    teams: list[JsonObject] = read(stored.body).get("careTeam", []) if stored else []
    return teams[0] if teams else None
