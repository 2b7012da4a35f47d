"""Sessions, states and pauses: refused with reasons, or kept, marked where a clock is doubtful."""

from datetime import UTC, datetime
from typing import Any

import pytest
from trade_examples import CHILD, session

from service.programme.checks import (
    KnownChild,
    check_health_state,
    check_pause,
    check_session,
)

NOW = datetime(2031, 3, 9, 8, 0, tzinfo=UTC)
BORN = KnownChild(birth_date="2024-06-15")


def _keys(**changes: Any) -> list[tuple[str, str]]:
    checked = check_session(session(**changes), now=NOW, known=BORN)
    return [(problem.path, problem.key) for problem in checked.problems]


def test_a_good_session_is_accepted() -> None:
    checked = check_session(session(), now=NOW)
    assert checked.problems == ()
    assert checked.value is not None
    assert checked.value.clock is None


@pytest.mark.parametrize(
    ("changes", "path", "key"),
    [
        ({"technique": "singing"}, "Session.technique", "unknown-technique"),
        ({"minutes": -5}, "Session.minutes", "impossible-number"),
        ({"minutes": 2000}, "Session.minutes", "impossible-number"),
        ({"spo2": 101}, "Session.spo2", "impossible-number"),
        ({"breathlessness": 11}, "Session.breathlessness", "impossible-number"),
        ({"end": "2031-03-04T07:20:00+01:00"}, "Session.end", "end-before-start"),
        ({"end": "2031-03-06T07:20:00+01:00"}, "Session.end", "impossible-date"),
        ({"start": "2031-03-04T07:30"}, "Session.start", "wrong-value"),
        ({"start": "2031-03-04"}, "Session.start", "wrong-value"),
        ({"chestPain": "no"}, "Session.chestPain", "wrong-value"),
        ({"faint": 1}, "Session.faint", "wrong-value"),
        ({"outcome": "done"}, "Session.outcome", "unknown-code"),
        ({"position": "handstand"}, "Session.position", "unknown-position"),
        ({"deviceKind": "kazoo"}, "Session.deviceKind", "unknown-device-kind"),
        ({"sputum": {"colour": "teal"}}, "Session.sputum.colour", "unknown-code"),
    ],
)
def test_what_is_refused(changes: dict[str, Any], path: str, key: str) -> None:
    assert _keys(**changes) == [(path, key)]


def test_every_problem_of_a_row_at_once() -> None:
    found = _keys(technique="singing", minutes="ten", outcome="done", spo2=140)
    assert {key for _, key in found} == {
        "unknown-technique",
        "wrong-value",
        "unknown-code",
        "impossible-number",
    }


def test_elapsed_time_is_counted_in_utc() -> None:
    """A session across the end of summer time: a quarter of an hour, not minus 45 minutes."""
    raw = session(start="2030-10-27T01:50:00+01:00", end="2030-10-27T01:05:00+00:00")
    checked = check_session(raw, now=NOW)
    assert checked.value is not None
    assert checked.value.end is not None
    assert (checked.value.end - checked.value.start).total_seconds() == 15 * 60


@pytest.mark.parametrize(
    ("start", "clock"),
    [
        ("2031-03-09T08:03:00+00:00", None),  # three minutes ahead: within tolerance
        ("2031-03-11T07:00:00+00:00", "suspect"),  # two days ahead
        ("1970-01-01T00:12:00+00:00", "suspect"),  # a device that forgot the date
        ("2000-01-01T00:00:00+00:00", "suspect"),
    ],
)
def test_a_doubtful_clock_is_marked_not_refused(start: str, clock: str | None) -> None:
    raw = session(start=start)
    del raw["end"]
    checked = check_session(raw, now=NOW, known=BORN)
    assert checked.problems == ()
    assert checked.value is not None
    assert checked.value.clock == clock


def test_before_birth_is_refused_where_the_birth_is_known() -> None:
    early = session(start="2023-06-15T08:00:00+00:00")
    del early["end"]
    assert [p.key for p in check_session(early, now=NOW, known=BORN).problems] == ["before-birth"]
    assert check_session(early, now=NOW).problems == ()
    vague = KnownChild(birth_date="2023")
    assert check_session(early, now=NOW, known=vague).problems == ()


def test_states_and_pauses() -> None:
    state = {"source": "diary", "child": CHILD, "state": "unwell", "start": "2031-03-04"}
    assert check_health_state(state).value is not None
    wrong = check_health_state(state | {"end": "2031-03-01", "state": "poorly"})
    assert {(p.path, p.key) for p in wrong.problems} == {
        ("HealthState.state", "unknown-code"),
        ("HealthState.end", "end-before-start"),
    }
    pause = {
        "source": "clinic",
        "child": CHILD,
        "start": "2031-03-04T15:00:00+01:00",
        "end": "2031-03-08",
        "reason": "admission",
        "decidedBy": "ward team",
    }
    assert check_pause(pause).value is not None
    refused = check_pause(pause | {"reason": "tired", "decidedBy": ""})
    assert {p.path for p in refused.problems} == {"Pause.reason", "Pause.decidedBy"}
