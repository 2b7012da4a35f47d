"""How a version of a plan stands: may it be followed now, and what of it falls on today? By hand.

The rule: in force is, of the versions known, neither draft nor entered in error, whose period holds
the instant, the one that began last.
"""

from datetime import UTC, date, datetime
from typing import Any

import pytest

from service.programme.adherence.history import History, Known
from service.programme.adherence.timeline import Timeline
from service.programme.log import Pause
from service.programme.plan import Programme
from service.programme.standing import Standing, standing_of
from service.programme.today import falls_on
from service.programme.zones import zone

KNOWN = datetime(2031, 1, 1, tzinfo=UTC)
SUNDAY = date(2031, 3, 9)
NOON = datetime(2031, 3, 9, 12, tzinfo=UTC)


def plan(id_: str, start: str, status: str = "active", **more: Any) -> Known[Programme]:
    document = {
        "status": status,
        "child": {"reference": "Patient/a"},
        "author": {"reference": "Practitioner/a"},
        "team": {"reference": "CareTeam/a"},
        "start": start,
        "timeZone": [{"zone": "Pacific/Auckland"}],
        "regimen": [{"key": "a", "technique": "huff", "healthState": "any"}],
    }
    return Known(id_, 1, KNOWN, Programme.model_validate(document | more))


def pause(start: str, end: str | None, reason: str = "admission") -> Known[Pause]:
    document = {"source": "app", "child": {"system": "a", "value": "b"}, "start": start,
                "reason": reason, "decidedBy": "ward"}  # fmt: skip
    return Known("p", 1, KNOWN, Pause.model_validate(document | ({"end": end} if end else {})))


def stands(id_: str, *plans: Known[Programme], now: datetime = NOON, **more: Any) -> Standing:
    return standing_of(History(plans=plans, **more), id_, now, zone)


def test_a_plan_whose_time_it_is_is_in_force() -> None:
    assert stands("one", plan("one", "2031-03-01")) == Standing("in-force", "one")


@pytest.mark.parametrize("status", ["draft", "entered-in-error", "revoked"])
def test_a_status_that_forbids_goes_before_every_date(status: str) -> None:
    old, asked = plan("old", "2031-01-01", "completed"), plan("one", "2031-03-01", status)
    found = stands("one", old, asked)
    assert found.kind == status
    assert found.in_force == ("old" if status != "revoked" else None)


def test_a_plan_before_its_start_and_the_one_before_it() -> None:
    old, new = plan("old", "2031-01-01", "completed"), plan("new", "2031-03-20")
    assert stands("new", old, new) == Standing("not-yet", "old", "new", start=date(2031, 3, 20))
    assert stands("old", old, new) == Standing("in-force", "old", "new")


def test_the_start_is_a_day_of_the_childs_own() -> None:
    """In Auckland 10 March begins at 11:00 UTC on the 9th (UTC+13 in daylight time)."""
    old, new = plan("old", "2031-01-01", "completed"), plan("new", "2031-03-10")
    assert stands("new", old, new).kind == "in-force"
    before = datetime(2031, 3, 9, 10, 59, tzinfo=UTC)
    assert stands("new", old, new, now=before).kind == "not-yet"


def test_a_plan_that_another_followed_is_replaced() -> None:
    old, new = plan("old", "2031-01-01", "completed"), plan("new", "2031-03-01")
    assert stands("old", old, new) == Standing("replaced", "new")


def test_a_plan_that_ended_is_over() -> None:
    assert stands("one", plan("one", "2031-01-01", end="2031-02-01")).kind == "over"
    assert stands("one", plan("one", "2031-01-01", "completed")).kind == "over"


def test_a_plan_comes_back_when_its_successor_was_a_mistake() -> None:
    old, new = plan("old", "2031-01-01", "completed"), plan("new", "2031-03-01", "entered-in-error")
    assert stands("old", old, new) == Standing("in-force", "old")


def test_a_plan_on_hold_says_why() -> None:
    assert stands("one", plan("one", "2031-03-01", "on-hold")).kind == "on-hold"
    hold = [{"start": "2031-03-08", "end": "2031-03-12", "reason": "Operation"}]
    found = stands("one", plan("one", "2031-03-01", hold=hold))
    assert (found.kind, found.end, found.why) == ("on-hold", date(2031, 3, 12), "Operation")
    later = datetime(2031, 3, 20, tzinfo=UTC)
    assert stands("one", plan("one", "2031-03-01", hold=hold), now=later).kind == "in-force"


def test_a_pause_says_why_and_the_longest_wins() -> None:
    pauses = [pause("2031-03-09", "2031-03-10", "other"), pause("2031-03-09", None)]
    pauses[1] = Known("q", 1, KNOWN, pauses[1].value)
    found = stands("one", plan("one", "2031-03-01"), pauses=pauses)
    assert (found.kind, found.why, found.end) == ("paused", "admission", None)
    excluded = [Known("p", 1, KNOWN, pauses[0].value, "entered-in-error")]
    assert stands("one", plan("one", "2031-03-01"), pauses=excluded).kind == "in-force"


def test_a_plan_that_is_not_known_has_no_standing() -> None:
    with pytest.raises(KeyError):
        stands("two", plan("one", "2031-03-01"))


@pytest.mark.parametrize(
    ("schedule", "expected"),
    [
        ({"frequency": 2, "period": 1, "periodUnit": "d"}, True),
        ({"dayOfWeek": ["sun"]}, True),
        ({"dayOfWeek": ["sat"], "timeOfDay": ["10:30"]}, False),
        ({"frequency": 3, "period": 1, "periodUnit": "wk", "dayOfWeek": ["mon", "sun"]}, True),
        ({"period": 2, "periodUnit": "d"}, None),  # on either of two days
        ({"frequency": 2, "period": 1, "periodUnit": "wk"}, None),  # on any of the week
        ({"event": ["2031-03-09T07:00:00+13:00"]}, True),
        ({"event": ["2031-03-10T07:00:00+13:00"]}, False),
        (None, None),
    ],
)
def test_what_falls_on_a_day(schedule: object, expected: bool | None) -> None:
    regimen = {"key": "a", "technique": "huff", "healthState": "any", "schedule": schedule}
    known = plan("one", "2031-03-01", regimen=[{k: v for k, v in regimen.items() if v}])
    timeline = Timeline(History(plans=[known]), datetime(2031, 3, 9, tzinfo=UTC), zone)
    found = falls_on(timeline.plans[0], timeline.calendar, SUNDAY)
    assert found.get("a") is expected
