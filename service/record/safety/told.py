"""New findings against what the record has told already: what has to be written.

Evidence that was told before, whatever became of its task, tells nothing new. Evidence that was
taken back (deleted, entered in error, or corrected to say something else) is taken out.
"""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime

from service.fhir.json import JsonObject
from service.mapping.findings import (
    Subject,
    Told,
    issue_of,
    task_of,
    task_without_cause,
    told_in,
    told_of,
    with_evidence,
)
from service.programme.adherence.history import History, as_known
from service.programme.safety import SafetyFinding, counts
from service.record.changes import Change, Update

_LOG = "Observation/"


@dataclass(frozen=True, slots=True)
class OnFile:
    """The findings of a child and their tasks as the record has them, by identifier."""

    issues: Mapping[str, JsonObject]
    tasks: Mapping[str, JsonObject]


@dataclass(frozen=True, slots=True)
class Standing:
    """What the child's logs say now, however long ago it was.

    ``sessions``: the current version of each session that counts. ``states``: the states of health
    that count. ``ever``: by identifier of a finding, every (session, text) that its rule finds.
    """

    sessions: Mapping[str, int]
    states: frozenset[str]
    ever: Mapping[str, frozenset[tuple[str, str]]]

    @classmethod
    def of(
        cls, history: History, ever: Iterable[SafetyFinding], subject: Subject, now: datetime
    ) -> "Standing":
        """``ever``: everything that was found in ``history``, however long ago."""
        sessions = (one for one in as_known(history.sessions, now) if counts(one))
        states = (one for one in as_known(history.states, now) if one.excluded is None)
        return cls(
            {f"{_LOG}{one.id}": one.version for one in sessions},
            frozenset(f"{_LOG}{one.id}" for one in states),
            {
                subject.name_of(finding.rule, finding.about): frozenset(
                    (told.target, told.text) for told in map(told_of, finding.evidence)
                )
                for finding in ever
            },
        )

    def left(self, name: str, before: Sequence[Told]) -> list[Told]:
        """The evidence of a stored finding that still stands.

        Where no session of it changed, all of it: that a number of the clinic's changed, or that
        a state has ended since, takes nothing back. Else what the rule still finds.
        """
        if all(map(self._is_as_it_was, before)):
            return list(before)
        found = self.ever.get(name, frozenset())
        return [
            one for one in before if self._is_no_session(one) or (one.target, one.text) in found
        ]

    def _is_as_it_was(self, one: Told) -> bool:
        return self._is_no_session(one) or self.sessions.get(one.target) == one.version

    def _is_no_session(self, one: Told) -> bool:
        return not one.target.startswith(_LOG) or one.target in self.states


def changes_for(
    findings: Iterable[SafetyFinding],
    on_file: OnFile,
    standing: Standing,
    subject: Subject,
    now: datetime,
) -> Iterator[Change]:
    """The changes that tell what is new, and take back what does not stand."""
    current = {subject.name_of(one.rule, one.about): one for one in findings}
    for finding in current.values():
        yield from _told_anew(finding, on_file, standing, subject, now)
    for name, issue in on_file.issues.items():
        if name not in current and issue.get("status") != "entered-in-error":
            yield from _taken_back(name, issue, on_file, standing, now)


def _told_anew(
    finding: SafetyFinding, on_file: OnFile, standing: Standing, subject: Subject, now: datetime
) -> Iterator[Change]:
    name = subject.name_of(finding.rule, finding.about)
    issue = on_file.issues.get(name)
    before = told_in(issue) if issue and issue.get("status") != "entered-in-error" else []
    known = {(one.target, one.text) for one in before}
    fresh = any((one.target, one.text) not in known for one in map(told_of, finding.evidence))
    if fresh or len(standing.left(name, before)) < len(before):
        yield Update(issue_of(finding, subject, issue))
    if fresh:
        yield Update(task_of(finding, subject, on_file.tasks.get(name), now))


def _taken_back(
    name: str, issue: JsonObject, on_file: OnFile, standing: Standing, now: datetime
) -> Iterator[Change]:
    before = told_in(issue)
    left = standing.left(name, before)
    if len(left) == len(before):
        return
    yield Update(with_evidence(issue, left))
    task = on_file.tasks.get(name)
    if not left and task is not None and (ended := task_without_cause(task, now)) is not None:
        yield Update(ended)
