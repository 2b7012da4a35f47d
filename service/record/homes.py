"""What the record knows of the children whose logs come in: who they are, and their plans."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime

from service.fhir.json import JsonObject
from service.fhir.search.terms import Condition
from service.mapping.errors import UnmappableError
from service.mapping.logs import RegimenLink
from service.mapping.programme import document_of, gather
from service.mapping.references import reference_of
from service.programme.adherence.history import History, Known
from service.programme.adherence.timeline import Timeline
from service.programme.base import Identifier
from service.programme.calendar import END
from service.programme.plan import Programme, SafetyNet
from service.programme.zones import zone
from service.record.changes import Actor, Match
from service.record.record import Record
from service.record.resolver import Resolver
from service.store.contract import Version


@dataclass(frozen=True, slots=True)
class PlanOnFile:
    """One version of a plan: its regimens by key, and what to do when something goes wrong."""

    known: Known[Programme]
    regimens: Mapping[str, RegimenLink]

    @property
    def safety_net(self) -> tuple[SafetyNet, ...]:
        return self.known.value.safety_net


class Home:
    """One child. ``patient`` is ``Patient/id``; ``plans`` are all that can be in force."""

    def __init__(self, patient: str, birth_date: str | None, plans: list[PlanOnFile]) -> None:
        self.patient = patient
        self.birth_date = birth_date
        self._timeline = Timeline(History(plans=[plan.known for plan in plans]), END, zone)
        by_id = {plan.known.id: plan for plan in plans}
        latest_first = sorted(self._timeline.plans, key=lambda plan: plan.span.start, reverse=True)
        self._plans = [by_id[plan.known.id] for plan in latest_first]
        self._by_id = by_id

    def plan_at(self, instant: datetime) -> PlanOnFile | None:
        """The plan in force; where none is, the one that began last."""
        in_force = self._timeline.plan_at(instant)
        if in_force is not None:
            return self._by_id[in_force.known.id]
        return next(iter(self._plans), None)

    def regimen(self, key: str, instant: datetime) -> RegimenLink | None:
        """The regimen of that key: in the plan in force, else in the last plan that has it."""
        in_force = self.plan_at(instant)
        plans = [in_force, *self._plans] if in_force else []
        return next((plan.regimens[key] for plan in plans if key in plan.regimens), None)


class Homes:
    """Looks children up by identifier, each once: one of these lives as long as one upload."""

    def __init__(self, record: Record, caller: Actor) -> None:
        self._record = record
        self._caller = caller
        self._resolver = Resolver(record, caller)
        self._homes: dict[Identifier, Home | str] = {}

    def find(self, identifier: Identifier) -> Home | str:
        """The child who has that identifier, or why there is no telling who it is."""
        if identifier not in self._homes:
            self._homes[identifier] = self._find(identifier)
        return self._homes[identifier]

    def _find(self, identifier: Identifier) -> Home | str:
        match = Match.identifier("Patient", identifier.system, identifier.value)
        found = self._record.matches([match])[match.name]
        if len(found) > 1:
            return "more than one child has it"
        patient = self._resolver(f"Patient/{found[0]}") if found else None
        if patient is None:
            return "the record knows no child by it"
        return Home(reference_of(patient), patient.get("birthDate"), self._plans(patient["id"]))

    def _plans(self, patient_id: str) -> list[PlanOnFile]:
        for type_ in ("ServiceRequest", "DeviceRequest", "Goal"):
            for version in self._about(type_, patient_id):
                self._resolver.keep(version)
        plans = (self._plan(version) for version in self._about("CarePlan", patient_id))
        return [plan for plan in plans if plan is not None]

    def _about(self, type_: str, patient_id: str) -> tuple[Version, ...]:
        condition = Condition.refers_to("subject", "Patient", patient_id)
        return self._record.search(self._caller, type_, [condition]).versions

    def _plan(self, version: Version) -> PlanOnFile | None:
        """None for somebody else's plan, which no document can hold and no log of ours means."""
        care_plan: JsonObject = self._resolver.keep(version)
        try:
            resources = gather(care_plan, self._resolver)
            programme = document_of(resources, self._resolver)
        except UnmappableError:
            return None
        links = {
            key: RegimenLink(reference_of(regimen), programme.id or "")
            for key, regimen in resources.regimens.items()
        }
        known = Known(version.id, version.version, version.instant, programme)
        return PlanOnFile(known, links)
