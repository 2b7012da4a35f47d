"""Children looked through because somebody asks: what the clock brings about is found by this."""

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import datetime

from service.fhir.json import read
from service.fhir.search.terms import Condition, TokenValue
from service.mapping.canonical import code_system
from service.mapping.findings import Subject, id_of
from service.mapping.references import target_of
from service.programme.adherence import LeftOut
from service.record.changes import Actor, Change, Written
from service.record.record import Record
from service.record.safety.watch import CANNOT_LOOK, SafetyWatch
from service.record.view import View
from service.store.contract import Key, Version

_HOME_PROGRAMME = TokenValue(system=code_system("airway-plan-part"), code="home-programme")
_FOLLOWED = ("active", "on-hold", "unknown")
_A_PAGE = 500


@dataclass(frozen=True, slots=True)
class Assessed:
    """What holds for a child now, as it is stored; ``new``: how many resources were written;
    ``left_out``: what of the child's could not be read."""

    issues: tuple[Version, ...]
    new: int
    left_out: tuple[LeftOut, ...]


def assess_child(
    record: Record,
    watch: SafetyWatch,
    caller: Actor,
    patient_id: str,
    clock: Callable[[], datetime],
) -> Assessed:
    """Look a child through and tell what is new. Raises NotFound, Gone, Busy.

    It is looked at before anything is locked; only when there is something to tell, once more
    under the lock, so that whoever answers a task meanwhile is not overruled.
    """
    record.read(caller, "Patient", patient_id)
    with record.view(watch.actor) as view:
        look = watch.look(view, patient_id, clock())
    new = _tell(record, watch, patient_id, clock) if look.changes else 0
    keys = [_key(patient_id, one.rule, one.about) for one in look.findings]
    with record.view(caller) as view:
        issues = view.current(keys)
    return Assessed(tuple(issues[key] for key in keys if key in issues), new, tuple(look.left_out))


def assess_children(
    record: Record, watch: SafetyWatch, caller: Actor, clock: Callable[[], datetime]
) -> Iterator[tuple[str, Assessed | None]]:
    """Every child with a home programme that is followed: the Patient's id and what was found.

    None for a child who could not be looked through; the others are all the same. Raises Busy.
    """
    for patient_id in _children(record, caller):
        try:
            yield patient_id, assess_child(record, watch, caller, patient_id, clock)
        except CANNOT_LOOK:
            yield patient_id, None


def _tell(
    record: Record, watch: SafetyWatch, patient_id: str, clock: Callable[[], datetime]
) -> int:
    def decide(view: View) -> tuple[Change, ...]:
        return watch.look(view, patient_id, clock()).changes

    results = record.decide(decide, watch.actor, watch.reason)
    return sum(isinstance(one, Written) and one.done != "unchanged" for one in results)


def _key(patient_id: str, rule: str, about: str) -> Key:
    return "DetectedIssue", id_of(Subject(patient_id).name_of(rule, about))


def _children(record: Record, caller: Actor) -> Iterator[str]:
    seen: set[str] = set()
    criteria = [
        Condition("category", "token", (_HOME_PROGRAMME,)),
        Condition("status", "token", tuple(TokenValue(system=None, code=one) for one in _FOLLOWED)),
    ]
    cursor = None
    while True:
        page = record.search(caller, "CarePlan", criteria, count=_A_PAGE, cursor=cursor)
        for version in page.versions:
            type_, _, id_ = target_of(read(version.body).get("subject", {})).partition("/")
            if type_ == "Patient" and id_ and id_ not in seen:
                seen.add(id_)
                yield id_
        if page.next is None:
            return
        cursor = page.next
