"""From the record to what is known of each consented child: the last place that sees identities.

Only what a ``ChildRecord`` has fields for is taken from a resource, so no name, number, date or
word of a child can go further.
"""

from collections.abc import Iterator, Mapping
from datetime import datetime
from fractions import Fraction

from service.fhir.json import JsonObject, read
from service.fhir.search.terms import Condition
from service.mapping.canonical import code_system
from service.mapping.interpretable import why_not_interpretable
from service.programme.adherence import Adherence
from service.record import Actor, Record
from service.record.adherence import adherence_of_patient
from service.record.errors import Gone, NotFound
from service.registry.ages import completed_years
from service.registry.children import ChildRecord
from service.registry.conditions import condition_group
from service.registry.consent import Terms, has_consent
from service.registry.half_year import HalfYear

COLLECTOR = Actor("registry release", role="assembler")
"""Who reads the record for a release. What it reads stays inside."""


def consented_patients(record: Record, at: datetime, terms: Terms) -> Iterator[JsonObject]:
    """Patients of whom a research consent holds at the aware instant ``at``, each once."""
    ours = Condition.has_token("category", code_system("airway-consent"), "adherence-research")
    consents = _found(record, "Consent", ours)
    references = {consent.get("patient", {}).get("reference", "") for consent in consents}
    for reference in sorted(references):
        patient = _patient(record, reference)
        if patient is None:
            continue
        of_patient = Condition.refers_to("patient", "Patient", patient["id"])
        all_consents = _found(record, "Consent", of_patient)
        if has_consent(all_consents, patient.get("birthDate"), at, terms):
            yield patient


def conditions_of(record: Record, patient: JsonObject) -> list[JsonObject]:
    """The conditions that the record holds of a patient."""
    of_patient = Condition.refers_to("subject", "Patient", patient["id"])
    return _found(record, "Condition", of_patient)


def child_record(
    patient: JsonObject, group: str, adherence: Adherence, half_year: HalfYear
) -> ChildRecord | None:
    """The child in the half-year that ``adherence`` covers; None where nothing was prescribed.

    A child born in the half-year counts as 0 years old.
    """
    rows = adherence.ledger
    if not rows:
        return None
    sessions = adherence.figures["sessions"]
    return ChildRecord(
        age_years=max(0, completed_years(patient["birthDate"], half_year.first)),
        sex=patient.get("gender", "unknown"),
        condition=group,
        techniques=frozenset(row.technique for row in rows),
        observed_days=adherence.observed_days,
        unlogged_days=adherence.unlogged_days,
        paused_days=len({row.day for row in rows if row.paused}),
        unwell_days=len({row.day for row in rows if row.state == "unwell"}),
        log_source=_log_source(adherence),
        sessions_score=(
            Fraction(100 * sessions.numerator, sessions.denominator)
            if sessions.denominator
            else None
        ),
        rule_version=adherence.rule_version,
        half_year=str(half_year),
    )


def children(
    record: Record, half_year: HalfYear, at: datetime, terms: Terms, groups: Mapping[str, str]
) -> Iterator[ChildRecord]:
    """Every consented child with anything prescribed in the half-year, as known at ``at``.

    ``groups`` are those of ``conditions``.
    """
    first, last = half_year.first, half_year.last
    for patient in consented_patients(record, at, terms):
        adherence = adherence_of_patient(
            record, COLLECTOR, patient["id"], first, last, known_at=at, now=at
        )
        group = condition_group(conditions_of(record, patient), groups)
        child = child_record(patient, group, adherence, half_year)
        if child is not None:
            yield child


def _log_source(adherence: Adherence) -> str:
    sources = {row.session.value.recorded_by for row in adherence.received if row.is_log}
    return "mixed" if len(sources) > 1 else next(iter(sources), "none")


def _patient(record: Record, reference: str) -> JsonObject | None:
    """None for a patient elsewhere, one no longer in use, or one that says what we do not know."""
    type_, _, id_ = reference.partition("/")
    if type_ != "Patient" or not id_:
        return None
    try:
        patient: JsonObject = read(record.read(COLLECTOR, "Patient", id_).body)
    except (NotFound, Gone):
        return None
    return None if patient.get("active") is False or why_not_interpretable(patient) else patient


def _found(record: Record, type_: str, condition: Condition) -> list[JsonObject]:
    found = record.search(COLLECTOR, type_, [condition])
    return [read(version.body) for version in found.versions]
