"""What the record knew of one child at one time, as documents of the trade.

Plans, session logs, states of health and pauses are read as the versions that the record had
then; so are the parts of a plan, which have versions of their own. A stay in hospital (inpatient
Encounter) is a pause.
"""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from datetime import date, datetime
from typing import Literal, TypeVar

from service.fhir.codings import codings
from service.fhir.json import JsonObject, read_back
from service.fhir.search.terms import Condition
from service.mapping.canonical import PROGRAMME, code_system
from service.mapping.errors import UnmappableError
from service.mapping.glance import shared_glance
from service.mapping.interpretable import may_bend, why_not_interpretable
from service.mapping.logs import (
    observation_to_health_state,
    observation_to_pause,
    observation_to_session,
)
from service.mapping.programme import from_resources
from service.mapping.references import Resolve, target_of
from service.programme.adherence import History, Known, LeftOut
from service.programme.adherence.history import HistoryOf, LeftOutKind, Logged
from service.programme.base import Identifier
from service.programme.checks import why_not_computable
from service.programme.log import HealthState, Pause, Session
from service.programme.moments import earliest, latest
from service.programme.plan import Programme
from service.record.changes import Actor
from service.record.past import Kept, Past
from service.record.record import Record
from service.record.view import View
from service.store.contract import Key, Version

Entry = TypeVar("Entry", Session, HealthState, Pause)
Seen = TypeVar("Seen", bound=Logged)

_HOME_PROGRAMME = (code_system("airway-plan-part"), "home-programme")
_LOG = code_system("airway-log")
_COUNTED = frozenset({"final", "amended", "corrected"})
_ACT_CODE = "http://terminology.hl7.org/CodeSystem/v3-ActCode"
_IN_HOSPITAL = frozenset({"IMP", "ACUTE", "NONACUTE"})
_TOOK_PLACE = frozenset({"arrived", "triaged", "in-progress", "onleave", "finished"})
_YEARS = (1900, 2200)


def child_history(
    record: Record,
    caller: Actor,
    patient_id: str,
    known_at: datetime,
    *,
    now: datetime,
    programme: str | None = None,
) -> History:
    """Everything known at ``known_at`` of a child; of one programme only, where it is named."""
    with record.view(caller) as view:
        return history_seen(view, patient_id, known_at, now=now, programme=programme)


def history_seen(
    view: View,
    patient_id: str,
    known_at: datetime,
    *,
    now: datetime,
    programme: str | None = None,
) -> History:
    """The same out of one look at the record, also of what is about to be committed."""
    past = Past(view, f"Patient/{patient_id}", known_at, now)
    return _Reading(past, programme).history()[0]


def history_and_rest(past: Past) -> tuple[History, list[Kept]]:
    """The same of all programmes, and the child's Observations that are none of its sessions."""
    return _Reading(past, None).history()


def counted_history(
    record: Record,
    caller: Actor,
    patient_id: str,
    known_at: datetime,
    *,
    now: datetime,
) -> HistoryOf[Logged]:
    """As ``child_history``, of all programmes; of sessions only what figures rest on."""
    with record.view(caller) as view:
        past = Past(view, f"Patient/{patient_id}", known_at, now)
        return _Reading(past, None).counted()


def plans_and_pauses(
    record: Record, caller: Actor, patient_id: str, now: datetime, programme: str
) -> History:
    """The plans of one programme and the child's pauses as they are, without reading all logs."""
    with record.view(caller) as view:
        past = Past(view, f"Patient/{patient_id}", now, now)
        return _Reading(past, programme).plans_and_pauses()


@dataclass
class _Reading:
    past: Past
    programme: str | None
    left_out: list[LeftOut] = field(default_factory=list)

    def history(self) -> tuple[History, list[Kept]]:
        """Sessions at a glance, and the long way for the rest, which is answered as well."""
        sessions, others = self._at_a_glance(shared_glance().whole)
        read = self._long_way(others)
        return replace(read, sessions=[*sessions, *read.sessions]), others

    def counted(self) -> HistoryOf[Logged]:
        """The same with as much of sessions as figures rest on."""
        sessions, others = self._at_a_glance(shared_glance().session)
        read = self._long_way(others)
        return HistoryOf(
            plans=read.plans,
            sessions=[*sessions, *read.sessions],
            states=read.states,
            pauses=read.pauses,
            left_out=read.left_out,
        )

    def _long_way(self, observations: Sequence[Kept]) -> History:
        return History(
            plans=list(self._plans()),
            sessions=list(self._entries(observations, "session", observation_to_session)),
            states=list(self._entries(observations, "health-state", observation_to_health_state)),
            pauses=self._pauses(observations),
            left_out=self.left_out,
        )

    def _at_a_glance(
        self, look: Callable[[bytes, str], tuple[Seen, str] | None]
    ) -> tuple[list[Known[Seen]], list[Kept]]:
        """The sessions that a look finds with their status, and the Observations in which it finds
        none."""
        sessions: list[Known[Seen]] = []
        others: list[Version] = []
        for version in self.past.about("Observation", "subject"):
            found = look(version.body, self.past.patient)
            if found is None or not _is_possible(found[0].start):
                others.append(version)
                continue
            session, status = found
            excluded = None if status in _COUNTED else status
            known = Known(version.id, version.version, version.instant, session, excluded)
            sessions.append(known)
        return sessions, self.past.owned(others, "subject")

    def plans_and_pauses(self) -> History:
        pause = Condition.has_token("code", _LOG, "pause")
        observations = self.past.own("Observation", "subject", pause)
        return History(
            plans=list(self._plans()),
            pauses=self._pauses(observations),
            left_out=self.left_out,
        )

    def _pauses(self, observations: Sequence[Kept]) -> list[Known[Pause]]:
        return [
            *self._entries(observations, "pause", observation_to_pause),
            *self._hospital_stays(),
        ]

    def _plans(self) -> Iterator[Known[Programme]]:
        for version, plan in self.past.own("CarePlan", "subject"):
            if _HOME_PROGRAMME not in codings(plan.get("category", [])):
                continue
            if self.programme is not None and not _is_version_of(plan, self.programme):
                continue
            try:
                programme = from_resources(plan, self._parts(plan))
            except UnmappableError as error:
                self._leave_out(version, "plan", str(error))
                continue
            if problems := why_not_computable(programme):
                first = problems[0]
                self._leave_out(version, "plan", f"{first.path}: {first.message}")
                continue
            yield Known(version.id, version.version, version.instant, programme)

    def _parts(self, plan: JsonObject) -> Resolve:
        """The parts of a plan as they were; child, team and diagnosis as they are."""
        targets = [target_of(one, "reference") for one in plan.get("activity", [])]
        targets += [target_of(one) for one in plan.get("goal", [])]
        keys: dict[Key, None] = {}
        for target in targets:
            type_, _, id_ = target.partition("/")
            if type_ and id_:
                keys[type_, id_] = None
        parts = {f"{one.type}/{one.id}": read_back(one.body) for one in self.past.of(keys)}

        def resolve(reference: str) -> JsonObject | None:
            if reference in parts or reference in targets:
                return parts.get(reference)
            return self.past.others(reference)

        return resolve

    def _entries(
        self,
        observations: Sequence[Kept],
        kind: Literal["session", "health-state", "pause"],
        read_entry: Callable[[JsonObject, Resolve], Entry],
    ) -> Iterator[Known[Entry]]:
        for version, observation in observations:
            if (_LOG, kind) not in codings([observation.get("code", {})]):
                continue
            try:
                entry = read_entry(observation, self.past.others)
            except UnmappableError as error:
                self._leave_out(version, kind, str(error))
                continue
            if not _is_possible(entry.start):
                self._leave_out(version, kind, "Observation.effective: the date is impossible")
                continue
            excluded = _why_not(version, observation)
            yield Known(version.id, version.version, version.instant, entry, excluded)

    def _hospital_stays(self) -> Iterator[Known[Pause]]:
        for version, stay in self.past.own("Encounter", "subject"):
            if not _is_stay(stay):
                continue
            if reason := why_not_interpretable(stay):
                self._leave_out(version, "pause", reason)
                continue
            pause = _pause_of(stay, self.past.patient)
            if pause is not None:
                yield Known(f"Encounter/{version.id}", version.version, version.instant, pause)

    def _leave_out(self, version: Version, kind: LeftOutKind, reason: str) -> None:
        name = f"{version.type}/{version.id}"
        self.left_out.append(LeftOut(name, version.version, reason, kind))


def _is_possible(start: date) -> bool:
    return _YEARS[0] <= start.year <= _YEARS[1]


def _why_not(version: Version, observation: JsonObject) -> str | None:
    """Why a log entry must not count: its status, or something that is not understood."""
    status = observation.get("status")
    reason = why_not_interpretable(observation) if may_bend(version.body) else None
    return reason or (None if status in _COUNTED else str(status))


def _is_version_of(plan: JsonObject, programme: str) -> bool:
    return any(
        (one.get("system"), one.get("value")) == (PROGRAMME, programme)
        for one in plan.get("identifier", [])
    )


def _is_stay(encounter: JsonObject) -> bool:
    kind = encounter.get("class", {})
    inpatient = kind.get("system") == _ACT_CODE and kind.get("code") in _IN_HOSPITAL
    return inpatient and encounter.get("status") in _TOOK_PLACE


def _pause_of(stay: JsonObject, patient: str) -> Pause | None:
    """None for a stay that does not say when it began."""
    period = stay.get("period", {})
    if "start" not in period:
        return None
    end = period.get("end")
    return Pause(
        source="Encounter",
        child=Identifier(system="Patient", value=patient),
        start=_moment(period["start"], earliest),
        end=None if end is None else _moment(end, latest),
        reason="admission",
        decided_by="hospital",
    )


def _moment(text: str, of_partial: Callable[[str], date]) -> date | datetime:
    return datetime.fromisoformat(text) if "T" in text else of_partial(text)
