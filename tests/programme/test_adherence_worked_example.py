"""The two weeks worked by hand, row by row, and the published example of one week."""

from collections import Counter
from datetime import UTC, datetime

import histories
import pytest
import worked_example

from service.programme.adherence import Adherence, History
from service.programme.checks import (
    check_health_state,
    check_pause,
    check_programme,
    check_session,
)

NOW = datetime(2031, 5, 1, tzinfo=UTC)


def _value(checked: object) -> object:
    value = getattr(checked, "value")  # noqa: B009
    assert value is not None
    return value


@pytest.fixture(scope="module")
def answer() -> Adherence:
    what = History(
        plans=histories.known(_value(check_programme(raw)) for raw in worked_example.PROGRAMMES),
        sessions=histories.known(
            _value(check_session(raw, now=NOW)) for raw in worked_example.SESSIONS
        ),
        states=histories.known([_value(check_health_state(worked_example.STATE))]),
        pauses=histories.known([_value(check_pause(worked_example.PAUSE))]),
    )
    return histories.ask(what, worked_example.FIRST, worked_example.LAST)


def test_every_day_of_the_table(answer: Adherence) -> None:
    found: dict[str, Counter[str]] = {}
    facts: dict[str, set[tuple[int, str]]] = {}
    for row in answer.ledger:
        day = f"{row.day:%a %d %b}"
        count = found.setdefault(day, Counter())
        name = "opep" if row.technique == "opep" else "ad"
        count[f"{name}_due"] += not row.paused
        count[f"{name}_done"] += row.credit is not None
        count["paused"] += row.paused
        if row.by_day:
            facts.setdefault(day, set()).add((1 + int(row.plan_id), row.state))
    for received in answer.received:
        found.setdefault(f"{received.day:%a %d %b}", Counter())["rows"] += 1
    for expected in worked_example.expected_days():
        day = str(expected.pop("day"))
        assert facts[day] == {(expected.pop("plan"), expected.pop("state"))}, day
        assert {name: found[day][name] for name in expected} == expected, day


def test_figures(answer: Adherence) -> None:
    found = {
        name: (float(figure.numerator), figure.denominator, figure.paused)
        for name, figure in answer.figures.items()
    }
    assert found == worked_example.FIGURES


def test_splits(answer: Adherence) -> None:
    found = {
        by: {
            value: (float(figures["sessions"].numerator), figures["sessions"].denominator)
            for value, figures in parts.items()
        }
        for by, parts in answer.splits.items()
    }
    assert found == worked_example.SPLITS


def test_every_row_has_an_ending(answer: Adherence) -> None:
    assert answer.endings == worked_example.ENDINGS
    assert [row.session.value.start.day for row in answer.received if row.during_pause] == [1]
    assert sum(answer.endings.values()) == len(worked_example.SESSIONS)


def test_days_without_a_log(answer: Adherence) -> None:
    assert (answer.observed_days, answer.unlogged_days, answer.silent_spells) == (10, 2, ())


@pytest.mark.parametrize(
    ("paused", "expected"),
    [
        ([], {"sessions": (10, 14), "days": (4, 7), "any": (6, 7)}),
        (["2031-05-05"], {"sessions": (10, 12), "days": (4, 6), "any": (6, 6)}),
    ],
)
def test_two_a_day_for_a_week(paused: list[str], expected: dict[str, tuple[float, int]]) -> None:
    """Prescribed two a day; done 4, 1, 2, 2, 0, 1, 4: 71.4%, 57.1%, 85.7%; with day 5 paused,
    sessions 83.3%. More than two on a day never make up for another (Patient Prefer Adherence
    2016;10:887: capped each day)."""
    done = histories.sessions_on("2031-05-01", [4, 1, 2, 2, 0, 1, 4])
    pauses = [histories.pause(day, day) for day in paused]
    answer = histories.ask(
        histories.history([histories.plan()], done, pauses=pauses), "2031-05-01", "2031-05-07"
    )
    assert {name: histories.counts(answer, name) for name in expected} == expected
    shown = [f"{answer.figures[name].score:.1%}" for name in ("sessions", "days", "any")]
    assert shown == (["71.4%", "57.1%", "85.7%"] if not paused else ["83.3%", "66.7%", "100.0%"])
    assert answer.endings == {"matched": 10, "extra": 4}
