"""Adherence of a child, asked of the record."""

from dataclasses import dataclass
from datetime import date, datetime

from service.fhir.json import JsonObject, read
from service.mapping.canonical import PROGRAMME
from service.mapping.references import target_of
from service.programme.adherence import Adherence, adherence
from service.record.changes import Actor
from service.record.child_history import child_history
from service.record.errors import Invalid, Malformed
from service.record.record import Record

LONGEST_YEARS = 10
"""The longest time that one question may be about."""


@dataclass(frozen=True, slots=True)
class Scope:
    """A child through all programmes, or through every version of the one that is named."""

    patient_id: str
    programme: str | None = None

    @property
    def subject(self) -> JsonObject:
        """A Reference to the child."""
        return {"reference": f"Patient/{self.patient_id}"}


def scope_of_patient(record: Record, caller: Actor, patient_id: str) -> Scope:
    """All programmes of a child. Raises NotFound, Gone."""
    record.read(caller, "Patient", patient_id)
    return Scope(patient_id)


def scope_of_care_plan(record: Record, caller: Actor, care_plan_id: str) -> Scope:
    """The programme of which a CarePlan is a version.

    Raises NotFound, Gone; Invalid for a CarePlan that is no version of a programme.
    """
    plan: JsonObject = read(record.read(caller, "CarePlan", care_plan_id).body)
    type_, _, patient_id = target_of(plan.get("subject", {})).partition("/")
    programmes = [
        one.get("value") for one in plan.get("identifier", []) if one.get("system") == PROGRAMME
    ]
    if type_ != "Patient" or not programmes:
        raise Invalid.at("CarePlan", "This CarePlan is no version of a home programme.")
    return Scope(patient_id, str(programmes[0]))


def adherence_of(
    record: Record,
    caller: Actor,
    scope: Scope,
    first: date,
    last: date,
    *,
    known_at: datetime,
    now: datetime,
    technique: str | None = None,
) -> Adherence:
    """The child's adherence from ``first`` to ``last``, both included.

    ``known_at``: nothing that became known later is used. Raises Malformed for days that make no
    sense.
    """
    check_days(first, last)
    history = child_history(
        record, caller, scope.patient_id, known_at, now=now, programme=scope.programme
    )
    return adherence(history, first, last, known_at=known_at, now=now, technique=technique)


def check_days(first: date, last: date) -> None:
    """Raises Malformed for days that make no sense."""
    if last < first:
        raise Malformed.at("end", "The last day comes before the first.")
    if last.year - first.year > LONGEST_YEARS:
        raise Malformed.at("end", f"At most {LONGEST_YEARS} years can be asked about at once.")


def adherence_of_patient(
    record: Record,
    caller: Actor,
    patient_id: str,
    first: date,
    last: date,
    *,
    known_at: datetime,
    now: datetime,
) -> Adherence:
    """The child's adherence through all programmes. Raises NotFound, Gone, Malformed."""
    scope = scope_of_patient(record, caller, patient_id)
    return adherence_of(record, caller, scope, first, last, known_at=known_at, now=now)
