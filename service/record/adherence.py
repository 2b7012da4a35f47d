"""Adherence of a child, asked of the record."""

from datetime import date, datetime

from service.fhir.json import JsonObject, read
from service.mapping.canonical import PROGRAMME
from service.mapping.references import target_of
from service.mapping.reports import report_bundle
from service.programme.adherence import Adherence, adherence
from service.record.changes import Actor
from service.record.child_history import child_history
from service.record.errors import Invalid, Malformed
from service.record.record import Record

LONGEST_YEARS = 10
"""The longest time that one question may be about."""


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
    """The child's adherence through all programmes, from ``first`` to ``last``, both included.

    ``known_at``: nothing that became known later is used. Raises NotFound, Gone, Malformed.
    """
    _check(first, last)
    record.read(caller, "Patient", patient_id)
    history = child_history(record, caller, patient_id, known_at, now=now)
    return adherence(history, first, last, known_at=known_at, now=now)


def adherence_of_care_plan(
    record: Record,
    caller: Actor,
    care_plan_id: str,
    first: date,
    last: date,
    *,
    known_at: datetime,
    now: datetime,
) -> Adherence:
    """The child's adherence to the programme of which the CarePlan is a version, in all versions.

    Raises NotFound, Gone, Malformed; Invalid for a CarePlan that is no version of a programme.
    """
    _check(first, last)
    patient_id, programme = _programme_of(record, caller, care_plan_id)
    history = child_history(record, caller, patient_id, known_at, now=now, programme=programme)
    return adherence(history, first, last, known_at=known_at, now=now)


def reports_of_patient(
    record: Record,
    caller: Actor,
    patient_id: str,
    first: date,
    last: date,
    *,
    known_at: datetime,
    now: datetime,
) -> JsonObject:
    """A collection Bundle with a MeasureReport for each figure; see ``adherence_of_patient``."""
    found = adherence_of_patient(
        record, caller, patient_id, first, last, known_at=known_at, now=now
    )
    return report_bundle(found, {"reference": f"Patient/{patient_id}"})


def reports_of_care_plan(
    record: Record,
    caller: Actor,
    care_plan_id: str,
    first: date,
    last: date,
    *,
    known_at: datetime,
    now: datetime,
) -> JsonObject:
    """A collection Bundle with a MeasureReport for each figure; see ``adherence_of_care_plan``."""
    patient_id, _ = _programme_of(record, caller, care_plan_id)
    found = adherence_of_care_plan(
        record, caller, care_plan_id, first, last, known_at=known_at, now=now
    )
    return report_bundle(found, {"reference": f"Patient/{patient_id}"})


def _check(first: date, last: date) -> None:
    if last < first:
        raise Malformed.at("end", "The last day comes before the first.")
    if last.year - first.year > LONGEST_YEARS:
        raise Malformed.at("end", f"At most {LONGEST_YEARS} years can be asked about at once.")


def _programme_of(record: Record, caller: Actor, care_plan_id: str) -> tuple[str, str]:
    """Id of the child and of the programme."""
    plan: JsonObject = read(record.read(caller, "CarePlan", care_plan_id).body)
    type_, _, patient_id = target_of(plan.get("subject", {})).partition("/")
    programmes = [
        one.get("value") for one in plan.get("identifier", []) if one.get("system") == PROGRAMME
    ]
    if type_ != "Patient" or not programmes:
        raise Invalid.at("CarePlan", "This CarePlan is no version of a home programme.")
    return patient_id, str(programmes[0])
