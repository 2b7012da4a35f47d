"""Adherence of many children, asked of the record one child after the other.

Every child is read for the caller who asks, as if asked about alone: what the caller may not see
does not count. A group's answer is for the team that treats these children; what leaves for
research goes through the registry's release, which knows about small numbers.
"""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import date, datetime

from service.fhir.json import JsonObject, read
from service.fhir.outcome import Finding, shown
from service.fhir.search.terms import Condition
from service.mapping.canonical import code_system
from service.mapping.references import target_of
from service.programme.adherence import Adherence
from service.programme.adherence.cohort import ChildAnswer, GroupAdherence, group_adherence
from service.programme.adherence.counting import Counted, counted
from service.programme.moments import earliest, latest
from service.record.adherence import Scope, adherence_of, check_days, scope_of_patient
from service.record.changes import Actor
from service.record.child_history import counted_history
from service.record.errors import Gone, Invalid, NotFound
from service.record.record import Record
from service.store.contract import Key, Version

MOST_CHILDREN = 1000
"""So many children may be asked about at once."""
MOST_LISTED = 100
"""So many where each child's own answer is given."""

_A_DAY = len("2031-05-01")


@dataclass(frozen=True, slots=True)
class Cohort:
    """Children by id, each once, in a stable order; ``subject`` is a Reference to their group."""

    subject: JsonObject | None
    patient_ids: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Asked:
    """From ``first`` to ``last``, both included, as known at a time; of one technique, or of all.

    Raises Malformed for days that make no sense.
    """

    first: date
    last: date
    known_at: datetime
    now: datetime
    technique: str | None = None

    def __post_init__(self) -> None:
        check_days(self.first, self.last)

    def of(self, record: Record, caller: Actor, scope: Scope) -> Adherence:
        """The answer for one child."""
        return adherence_of(
            record,
            caller,
            scope,
            self.first,
            self.last,
            known_at=self.known_at,
            now=self.now,
            technique=self.technique,
        )

    def counted(self, record: Record, caller: Actor, patient_id: str) -> Counted:
        """A child's part of a group's answer, through all programmes."""
        history = counted_history(record, caller, patient_id, self.known_at, now=self.now)
        return counted(
            history, self.first, self.last, known_at=self.known_at, technique=self.technique
        )


def group_cohort(record: Record, caller: Actor, group_id: str, asked: Asked) -> Cohort:
    """The members of a Group as it was known then, who belonged to it on any of the days.

    Raises NotFound, Gone; Invalid for a Group that is not of children, or of too many.
    """
    record.read(caller, "Group", group_id)
    group: JsonObject = read(as_known(record, caller, ("Group", group_id), asked.known_at).body)
    if group.get("type") != "person" or group.get("actual") is not True:
        raise Invalid.at("Group.type", "Only a group of actual people has adherence.")
    targets = [
        target_of(member.get("entity", {}))
        for member in group.get("member", [])
        if _belongs(member, asked.first, asked.last)
    ]
    if others := sorted({one for one in targets if not one.startswith("Patient/")}):
        told = f"Only children have adherence; among the members is {shown(others[0])}."
        raise Invalid.at("Group.member", told)
    ids = {target.partition("/")[2] for target in targets}
    cohort = Cohort({"reference": f"Group/{group_id}"}, tuple(sorted(ids)))
    _check_size(cohort, MOST_CHILDREN)
    return cohort


def everybody(record: Record, caller: Actor) -> Cohort:
    """All children who have a home programme, of whatever status. Raises Invalid for too many."""
    ours = Condition.has_token("category", code_system("airway-plan-part"), "home-programme")
    plans = record.search(caller, "CarePlan", [ours]).versions
    subjects = {target_of(read(plan.body).get("subject", {})) for plan in plans}
    children = {one.partition("/")[2] for one in subjects if one.startswith("Patient/")}
    cohort = Cohort(None, tuple(sorted(children)))
    _check_size(cohort, MOST_CHILDREN)
    return cohort


def group_answer(record: Record, caller: Actor, cohort: Cohort, asked: Asked) -> GroupAdherence:
    """The group's answer: its children are counted one by one, and only counts are kept."""
    children = (
        asked.counted(record, caller, scope.patient_id) for scope in _scopes(record, caller, cohort)
    )
    return _together(children, asked)


def list_answer(
    record: Record, caller: Actor, cohort: Cohort, asked: Asked
) -> tuple[GroupAdherence, list[tuple[JsonObject, Adherence]]]:
    """The group's answer, and each child's own behind a Reference to the child.

    Raises Invalid for more children than can be listed.
    """
    _check_size(cohort, MOST_LISTED)
    children = [
        (scope.subject, asked.of(record, caller, scope))
        for scope in _scopes(record, caller, cohort)
    ]
    return _together((answer for _, answer in children), asked), children


def _scopes(record: Record, caller: Actor, cohort: Cohort) -> Iterator[Scope]:
    """Nothing for children whose entry is not, or no longer, there."""
    for patient_id in cohort.patient_ids:
        try:
            scope = scope_of_patient(record, caller, patient_id)
        except (NotFound, Gone):
            continue
        yield scope


def _together(answers: Iterable[ChildAnswer], asked: Asked) -> GroupAdherence:
    return group_adherence(
        answers,
        asked.first,
        asked.last,
        known_at=asked.known_at,
        now=asked.now,
        technique=asked.technique,
    )


def as_known(record: Record, caller: Actor, key: Key, known_at: datetime) -> Version:
    """The version of a resource that was current then. Raises NotFound where there was none."""
    known = [one for one in record.versions(caller, [key]) if one.instant <= known_at]
    if not known or known[-1].deleted:
        raise NotFound.at("", f"There was no {'/'.join(key)} at that time.")
    return known[-1]


def _belongs(member: JsonObject, first: date, last: date) -> bool:
    if member.get("inactive") is True:
        return False
    start, end = (member.get("period", {}).get(edge, "")[:_A_DAY] for edge in ("start", "end"))
    return (not start or earliest(start) <= last) and (not end or latest(end) >= first)


def _check_size(cohort: Cohort, most: int) -> None:
    if len(cohort.patient_ids) > most:
        told = f"At most {most} children can be asked about so: ask about a smaller Group."
        raise Invalid([Finding("error", "too-costly", "", told)])
