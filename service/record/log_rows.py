"""From a row of a feed to an entry that the record could keep, or to what is wrong with it."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from pydantic import ValidationError

from service.fhir.json import JsonObject
from service.fhir.outcome import Finding, shown
from service.mapping.feeds import FeedRow, Kind
from service.mapping.logs import LogEntry, RegimenLink
from service.programme.alarms import alarms, to_tell
from service.programme.base import Identifier
from service.programme.calendar import END
from service.programme.checks import (
    Checked,
    KnownChild,
    Policy,
    check_health_state,
    check_pause,
    check_review,
    check_session,
)
from service.programme.device_clock import DeviceClock, as_sent
from service.programme.log import Session
from service.record.homes import Home, Homes
from service.record.problems import problem_of
from service.record.row_answers import Alarm, RowAnswer, Status

_ROOTS: dict[Kind, str] = {
    "session": "Session",
    "health-state": "HealthState",
    "pause": "Pause",
    "technique-review": "TechniqueReview",
}


@dataclass(frozen=True, slots=True)
class GoodRow:
    """A row that may be kept: what it says, of whom, and the regimen that it names."""

    number: int
    kind: Kind
    entry: LogEntry
    home: Home
    regimen: RegimenLink | None
    findings: tuple[Finding, ...]
    alarm: Alarm | None
    same_day: tuple[str, ...] = ()

    def answer(
        self, status: Status, reference: str | None, findings: Sequence[Finding] = ()
    ) -> RowAnswer:
        """The end of this row."""
        told = (*self.findings, *findings)
        return RowAnswer(self.number, status, reference, told, self.alarm, self.same_day)


class RowReader:
    """Reads the rows of one upload, whose clock is ``clock``."""

    def __init__(self, homes: Homes, clock: DeviceClock, policy: Policy) -> None:
        self._homes = homes
        self._clock = clock
        self._policy = policy

    def read(self, row: FeedRow) -> GoodRow | RowAnswer:
        """Judges one row: its own shape, the rules of the trade, the child and the regimen.

        A row that cannot be kept has its answer already: refused, with every reason.
        """
        document = row.document or {}
        home = self._home(document)
        child = home if isinstance(home, Home) else None
        if not row.is_readable:
            return self._refused(row, child, row.findings)
        checked = self._checked(row.kind, document, child)
        findings = [*row.findings, *map(problem_of, checked.problems)]
        if isinstance(home, str):
            told = f"an identifier of a child is expected: {home}"
            findings.append(Finding("error", "not-found", f"{_ROOTS[row.kind]}.child", told))
        regimen, missing = _regimen(checked.value, child)
        findings.extend([missing] if missing else [])
        if checked.value is None or child is None or missing:
            return self._refused(row, child, tuple(findings))
        return GoodRow(
            row.number,
            row.kind,
            checked.value,
            child,
            regimen,
            tuple(findings),
            self._alarm(row.kind, document, child, checked.value),
            self._same_day(row.kind, document),
        )

    def _refused(self, row: FeedRow, home: Home | None, findings: tuple[Finding, ...]) -> RowAnswer:
        document = row.document or {}
        alarm = self._alarm(row.kind, document, home, None)
        same_day = self._same_day(row.kind, document)
        return RowAnswer(row.number, "refused", None, findings, alarm, same_day)

    def _alarm(
        self, kind: Kind, document: JsonObject, child: Home | None, entry: LogEntry | None
    ) -> Alarm | None:
        """What the plan of that time says; of a row without a time, the latest plan."""
        signs = alarms(document, self._policy.safety) if kind == "session" else ()
        if not signs:
            return None
        when = entry.start if isinstance(entry, Session) else END
        plan = child.plan_at(when) if child else None
        return Alarm(signs, plan.safety_net if plan else ())

    def _same_day(self, kind: Kind, document: JsonObject) -> tuple[str, ...]:
        return to_tell(document, self._policy.safety) if kind == "session" else ()

    def _home(self, document: JsonObject) -> Home | str | None:
        """The child, or why there is none; None where the row names nobody that can be read."""
        try:
            return self._homes.find(Identifier.model_validate(document.get("child")))
        except ValidationError:
            return None

    def _checked(self, kind: Kind, document: JsonObject, child: Home | None) -> Checked[Any]:
        known = KnownChild(child.birth_date if child else None)
        match kind:
            case "session":
                return self._checked_session(document, known)
            case "health-state":
                return check_health_state(document, known=known)
            case "pause":
                return check_pause(document, known=known)
            case "technique-review":
                return check_review(document, known=known)

    def _checked_session(self, document: JsonObject, known: KnownChild) -> Checked[Session]:
        """The times are corrected before they are judged; what stays impossible is not moved."""
        received = self._clock.received
        if self._clock.offset and "clock" not in document:
            as_told = check_session(document, now=received, policy=self._policy).value
            if as_told is not None:
                sent = as_told.model_copy(update={"clock": None})
                document = self._clock.corrected(sent).to_json()
        checked = check_session(document, now=received, policy=self._policy, known=known)
        session = checked.value
        if session is None or session.clock != "suspect" or session.device_start is None:
            return checked
        return Checked(as_sent(session).model_copy(update={"clock": "suspect"}))


def _regimen(
    entry: LogEntry | None, child: Home | None
) -> tuple[RegimenLink | None, Finding | None]:
    """The regimen that a session names, or a finding when the child has no such regimen."""
    if not isinstance(entry, Session) or entry.regimen is None or child is None:
        return None, None
    link = child.regimen(entry.regimen, entry.start)
    if link is not None:
        return link, None
    told = f"a regimen of the child's programme is expected, found {shown(entry.regimen)}"
    return None, Finding("error", "not-found", "Session.regimen", told)
