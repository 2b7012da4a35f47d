"""Rules on spells of being unwell: what was done in them, and how long they last."""

from collections import defaultdict
from collections.abc import Iterable, Iterator
from datetime import date, datetime, timedelta

from service.programme.adherence import Adherence, Known, LedgerRow, adherence
from service.programme.adherence.history import as_known
from service.programme.log import HealthState
from service.programme.safety.case import Case
from service.programme.safety.findings import Evidence, SafetyFinding

_A_DAY = timedelta(days=1)


def without_step_up(case: Case) -> Iterable[SafetyFinding]:
    """In the spell that lasts: of its last days that are over and have a log, none on which all
    that is due on unwell days was done. A day without a log is unknown and is passed over."""
    rule = "unwell-without-step-up"
    start = _spell(case)
    if start is None:
        return
    first = max(case.timeline.calendar.day_of(start), case.today - _A_DAY * case.policy.recent_days)
    last = case.today - _A_DAY
    if last < first:
        return
    found = adherence(case.history, first, last, known_at=case.now, now=case.now, zones=case.zones)
    least = case.policy.days(rule, "days")
    for regimen, days in sorted(_days(case, found).items()):
        latest = sorted(days)[-least:]
        if len(latest) == least and not any(days[day] for day in latest):
            yield from case.finding(rule, _rows_of(found, latest), regimen)


def beyond(case: Case) -> Iterable[SafetyFinding]:
    """Unwell on more of the child's days than the plan or else the clinic says, and not in a
    pause: in hospital others look after the child."""
    start, days = _spell(case), _agreed_days(case)
    if start is None or days is None:
        return ()
    if case.timeline.is_paused(case.now, case.timeline.plan_at(case.now)):
        return ()
    first = case.timeline.calendar.day_of(start)
    if (case.today - first).days + 1 <= days:
        return ()
    told = f"unwell since {first}, and no end told"
    evidence = [
        Evidence("health-state", one.id, one.version, start, told)
        for one in _states(case)
        if one.value.state == "unwell" and _span_end(case, one) > start
    ]
    return case.finding("unwell-beyond", evidence, days=days)


def _agreed_days(case: Case) -> int | None:
    plan = case.timeline.plan_at(case.now)
    if plan is not None and plan.programme.unwell_days is not None:
        return plan.programme.unwell_days
    days = case.policy.own_number("unwell-beyond", "days")
    return None if days is None else int(days)


def _spell(case: Case) -> datetime | None:
    """When the spell of being unwell began that lasts now; None for a child who is well."""
    if not case.timeline.is_unwell(case.now):
        return None
    spans = [case.timeline.calendar.span(one.value.start, one.value.end) for one in _states(case)]
    edges = {edge for span in spans for edge in (span.start, span.end) if edge <= case.now}
    start = case.now
    for edge in sorted(edges, reverse=True):
        if not case.timeline.is_unwell(edge):
            break
        start = edge
    return start


def _states(case: Case) -> list[Known[HealthState]]:
    known = as_known(case.history.states, case.now)
    return [one for one in known if one.excluded is None]


def _span_end(case: Case, state: Known[HealthState]) -> datetime:
    return case.timeline.calendar.span(state.value.start, state.value.end).end


def _days(case: Case, found: Adherence) -> dict[str, dict[date, bool]]:
    """By unwell regimen and day with a log: whether all that was due was done."""
    steps = {
        (plan.known.id, regimen.key)
        for plan in case.timeline.plans
        for regimen in plan.programme.regimen
        if regimen.health_state == "unwell"
    }
    days: defaultdict[str, dict[date, bool]] = defaultdict(dict)
    for row in found.ledger:
        if (row.plan_id, row.regimen) in steps and _says_something(row):
            was_done = days[row.regimen].get(row.day, True)
            days[row.regimen][row.day] = was_done and row.credit is not None
    return days


def _says_something(row: LedgerRow) -> bool:
    return row.by_day and row.logged and not row.paused and row.state == "unwell"


def _rows_of(found: Adherence, days: Iterable[date]) -> Iterator[Evidence]:
    meant = set(days)
    for row in found.received:
        if row.is_log and row.day in meant:
            told = f"{row.day}: less logged than is due on unwell days"
            start = row.session.value.start
            yield Evidence("session", row.session.id, row.session.version, start, told)
