"""Rules that compare a reading with what is usual for the child.

What is usual is the middle one of the readings of well days in the time before, and only where
there are enough of them; with fewer, nobody knows and nothing is said. A slow decline carries the
usual value along: these rules see changes, not states.
"""

from bisect import bisect_left
from collections.abc import Callable, Iterable, Iterator, Sequence
from datetime import date, timedelta
from decimal import Decimal
from statistics import median

from service.programme.log import Session
from service.programme.safety.case import Case, Log
from service.programme.safety.findings import SafetyFinding

Reading = Callable[[Session], Decimal | None]
Compared = tuple[Log, Decimal, Decimal]
"""A log, its reading, and what is usual."""

_DARKNESS = {"clear": 0, "white": 1, "grey": 1, "yellow": 2, "green": 3}
"""Colours from light to dark; those that may be blood have rules of their own."""


def oxygen_drop(case: Case) -> Iterable[SafetyFinding]:
    """SpO2 so many points under the usual value; only where it was measured."""
    rule = "oxygen-drop"
    points = case.policy.number(rule, "points")
    dropped = [
        (log, value, usual)
        for log, value, usual in _compared(case, rule, lambda session: session.spo2)
        if usual - value >= points
    ]
    return _finding(case, rule, dropped, "%")


def breathlessness_rise(case: Case) -> Iterable[SafetyFinding]:
    """A score from 0 to 10 so many points over the usual value."""
    rule = "breathlessness-rise"
    points = case.policy.number(rule, "points")
    risen = [
        (log, value, usual)
        for log, value, usual in _compared(case, rule, _breathlessness)
        if value - usual >= points
    ]
    return _finding(case, rule, risen, "of 10")


def sputum_darker(case: Case) -> Iterable[SafetyFinding]:
    """Darker sputum than usual on so many days in a row, by the darkest colour of each day."""
    rule = "sputum-darker"
    least = case.policy.days(rule, "days")
    darker: dict[date, list[Log]] = {}
    for log, value, usual in _compared(case, rule, _darkness):
        if value > usual:
            darker.setdefault(case.day_of(log), []).append(log)
    runs = (run for run in _runs(sorted(darker)) if len(run) >= least)
    meant = [log for run in runs for day in run for log in darker[day]]
    evidence = [
        log.tells(f"{log.session.sputum.colour} sputum")
        for log in meant
        if log.session.sputum is not None and case.is_recent(log)
    ]
    return case.finding(rule, evidence)


def _finding(
    case: Case, rule: str, compared: Sequence[Compared], unit: str
) -> tuple[SafetyFinding, ...]:
    """Evidence tells the readings alone: what is usual may look otherwise once late logs came."""
    if not compared:
        return ()
    _, value, usual = compared[-1]
    evidence = [log.tells(f"{reading} {unit}") for log, reading, _ in compared]
    return case.finding(rule, evidence, found=f"{value} {unit}, usually {usual}")


def _breathlessness(session: Session) -> Decimal | None:
    return None if session.breathlessness is None else Decimal(session.breathlessness)


def _darkness(session: Session) -> Decimal | None:
    colour = session.sputum.colour if session.sputum else None
    return Decimal(_DARKNESS[colour]) if colour in _DARKNESS else None


def _compared(case: Case, rule: str, read: Reading) -> Iterator[Compared]:
    """Every recent reading with the usual value at its time, where there is one."""
    least = case.policy.days(rule, "readings")
    before = timedelta(days=case.policy.days(rule, "usual_days"))
    read_out = [(log, value) for log in case.logs if (value := read(log.session)) is not None]
    if not any(case.is_recent(log) for log, _ in read_out):
        return
    well = [
        (log.at, value)
        for log, value in read_out
        if log.certain and not case.timeline.is_unwell(log.at)
    ]
    times = [at for at, _ in well]
    for log, value in read_out:
        if not case.is_recent(log):
            continue
        first, last = bisect_left(times, log.at - before), bisect_left(times, log.at)
        if last - first >= least:
            yield log, value, median(value for _, value in well[first:last])


def _runs(days: Sequence[date]) -> Iterator[list[date]]:
    """Days in order, cut wherever a day is missing."""
    run: list[date] = []
    for day in days:
        if run and day - run[-1] > timedelta(days=1):
            yield run
            run = []
        run.append(day)
    if run:
        yield run
