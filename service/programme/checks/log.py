"""What comes from home: problems of sessions, states and pauses."""

from collections.abc import Iterator
from datetime import datetime, timedelta

from service.programme.catalogue import DEVICE_KINDS, TECHNIQUES
from service.programme.checks.dosing import unknown_position
from service.programme.checks.limits import impossible_values
from service.programme.checks.policy import KnownChild, Policy
from service.programme.checks.problems import Problem, refused
from service.programme.checks.timing import end_before_start
from service.programme.checks.view import View
from service.programme.log import Session
from service.programme.moments import day_of, earliest

_A_DAY = timedelta(days=1)


def session_problems(session: View, policy: Policy, known: KnownChild) -> Iterator[Problem]:
    """Everything that is wrong with one session apart from its shape."""
    yield from impossible_values(session)
    yield from end_before_start(session)
    yield from _too_long(session)
    yield from unknown_means(session)
    yield from unknown_position(session)
    start = session.value("start")
    if start is not None and start.date() >= policy.clock_reset_before:
        yield from before_birth(session, known)


def unknown_means(row: View) -> Iterator[Problem]:
    """For anything with a ``technique`` and a ``deviceKind``."""
    technique, device = row.value("technique"), row.value("deviceKind")
    if technique is not None and technique not in TECHNIQUES:
        expected = f"one of {', '.join(TECHNIQUES)}"
        yield refused(row.at("technique"), "unknown-technique", technique, expected)
    if device is not None and device not in DEVICE_KINDS:
        expected = f"one of {', '.join(DEVICE_KINDS)}"
        yield refused(row.at("deviceKind"), "unknown-device-kind", device, expected)


def before_birth(row: View, known: KnownChild, field: str = "start") -> Iterator[Problem]:
    """For anything that is about a time: it is not before the first day of the child's life."""
    start = row.value(field)
    if start is None or known.birth_date is None:
        return
    # A day's grace: the birth date is local and the start may have another offset.
    if day_of(start) < earliest(known.birth_date) - _A_DAY:
        found = row.raw[field]
        yield refused(row.at(field), "before-birth", found, "after the child's birth")


def _too_long(session: View) -> Iterator[Problem]:
    start, end = session.value("start"), session.value("end")
    if start is not None and end is not None and end - start > _A_DAY:
        found = session.raw["end"]
        yield refused(session.at("end"), "impossible-date", found, "within a day of the start")


def clock_is_doubtful(session: Session, policy: Policy, now: datetime) -> bool:
    """Whether the session starts in the future, or when devices believe they were made."""
    too_early = session.start.date() < policy.clock_reset_before
    return too_early or session.start > now + policy.future_tolerance
