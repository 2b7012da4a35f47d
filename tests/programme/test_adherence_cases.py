"""What adherence does with days, clocks, corrected plans, pauses, states, ranges, alternatives."""

from collections.abc import Sequence
from datetime import UTC, date, datetime

import pytest
from histories import (
    LATER,
    ask,
    counts,
    history,
    known,
    pause,
    plan,
    regimen,
    session,
    sessions_on,
    state,
)

from service.programme.adherence import Adherence, Figure, History, Known
from service.programme.checks import check_session
from service.programme.plan import Programme

MAY_18, MAY_21, MAY_26 = (datetime(2031, 5, day, 12, tzinfo=UTC) for day in (18, 21, 26))


# Which day a session belongs to


AUCKLAND = [
    session("2031-06-09T19:00:00+00:00"),
    session("2031-06-10T23:50:00+12:00", end="2031-06-11T00:10:00+12:00"),
    session("2031-06-10T13:00:00+00:00"),
]
MOVED = [
    {"zone": "Pacific/Auckland"},
    {"zone": "Europe/Paris", "since": "2031-06-10T12:00:00+12:00"},
]


@pytest.mark.parametrize(
    ("zones", "on_each_day"),
    [([{"zone": "Pacific/Auckland"}], [0, 2, 1]), (MOVED, [0, 3, 0])],
)
def test_a_session_belongs_to_the_day_on_which_it_starts_where_the_child_then_is(
    zones: list[dict[str, str]], on_each_day: list[int]
) -> None:
    what = history([plan(regimen(1), start="2031-06-09", timeZone=zones)], AUCKLAND)
    days = [f"2031-06-{day:02}" for day in (9, 10, 11)]
    singly = [ask(what, day, day) for day in days]
    together = ask(what, days[0], days[-1])
    assert [len(answer.received) for answer in singly] == on_each_day
    assert len(together.received) == 3
    assert [counts(answer)[1] for answer in singly] == [1, 1, 1]
    assert counts(together) == (sum(counts(answer)[0] for answer in singly), 3)


# Clocks


def test_a_doubtful_clock_is_listed_and_not_counted() -> None:
    now = datetime(2031, 5, 9, 8, tzinfo=UTC)
    starts = [
        "2031-05-08T07:00:00+00:00",
        "1970-01-01T00:12:00+00:00",
        "2031-05-11T07:00:00+00:00",
        "2031-05-09T08:03:00+00:00",
    ]
    rows = [session(start).to_json() for start in starts]
    checked = [check_session(row, now=now).value for row in rows]
    what = history([plan()], [row for row in checked if row is not None])
    answer = ask(what, "2031-05-01", "2031-05-14")
    assert answer.endings == {"matched": 2, "doubtful": 2}
    doubtful = [row.session.value.start for row in answer.received if row.ending == "doubtful"]
    assert [start.year for start in doubtful] == [1970, 2031]
    assert counts(answer)[0] == 2


def test_rows_that_must_not_count_are_excluded_with_their_reason() -> None:
    done = known(sessions_on("2031-05-01", [2]))
    wrong = Known("0001", 2, LATER, done[1].value, excluded="entered-in-error")
    what = History(known([plan()]), [*done, wrong])
    answer = ask(what, "2031-05-01", "2031-05-01")
    assert answer.endings == {"matched": 1, "excluded": 1}
    assert [row.session.excluded for row in answer.received] == [None, "entered-in-error"]


# Plans that are back-dated and corrected


def _versions(of: str, *steps: tuple[datetime, Programme]) -> list[Known[Programme]]:
    return [Known(of, version, at, value) for version, (at, value) in enumerate(steps, start=1)]


def _corrected() -> History:
    """Two a day from 1 May; on the 20th, three a day from the 15th; on the 25th that was wrong."""
    first = plan(regimen(2))
    second = plan(regimen(3), start="2031-05-15")
    sessions = [
        Known(f"s{i:03}", 1, done.start, done)
        for i, done in enumerate(sessions_on("2031-05-01", [2] * 25))
    ]
    plans = [
        *_versions(
            "one",
            (datetime(2031, 4, 30, tzinfo=UTC), first),
            (datetime(2031, 5, 20, tzinfo=UTC), first.model_copy(update={"status": "completed"})),
        ),
        *_versions(
            "two",
            (datetime(2031, 5, 20, tzinfo=UTC), second),
            (
                datetime(2031, 5, 25, tzinfo=UTC),
                second.model_copy(update={"status": "entered-in-error"}),
            ),
        ),
    ]
    return History(plans, sessions)


def test_a_wrong_plan_that_is_corrected() -> None:
    what = _corrected()
    answers = [ask(what, "2031-05-01", "2031-05-17", at) for at in (MAY_18, MAY_21, MAY_26)]
    assert [counts(answer) for answer in answers] == [(34, 34), (34, 37), (34, 34)]
    used = [[(piece.id, piece.version) for piece in answer.plans] for answer in answers]
    assert used == [[("one", 1)], [("one", 2), ("two", 1)], [("one", 2)]]


def test_the_same_question_as_known_then_gets_the_answer_of_then() -> None:
    what = _corrected()
    only_then = History(
        [one for one in what.plans if one.known_at <= MAY_18],
        [one for one in what.sessions if one.known_at <= MAY_18],
    )
    then = ask(only_then, "2031-05-01", "2031-05-17", MAY_18)
    assert ask(what, "2031-05-01", "2031-05-17", MAY_18) == then


def test_a_change_in_mid_day_is_judged_at_each_occurrence() -> None:
    """Two a day stand at 06:00 and 18:00; the plan of three a day, from noon, at 12:00 and 20:00
    as well; so the day of change has 06:00, 12:00 and 20:00."""
    later = plan(regimen(3), start="2031-05-02T12:00:00+02:00")
    answer = ask(history([plan(regimen(2)), later]), "2031-05-02", "2031-05-02")
    assert [(row.at.astimezone(UTC).hour, row.plan_id) for row in answer.ledger] == [
        (4, "0000"),
        (10, "0001"),
        (18, "0001"),
    ]


def test_a_gap_between_plans_has_no_denominator() -> None:
    plans = [plan(end="2031-05-03"), plan(start="2031-05-06")]
    assert counts(ask(history(plans), "2031-05-01", "2031-05-07")) == (0, 3 * 2 + 2 * 2)
    assert ask(history(plans), "2031-05-04", "2031-05-05").figures["sessions"].reason == "no-plan"


# Nothing prescribed, on hold, paused


def _june(what: History, **changes: datetime) -> Adherence:
    return ask(what, "2031-06-01", "2031-06-30", **changes)


@pytest.mark.parametrize(
    ("plans", "reason", "paused"),
    [
        ([plan(status="on-hold")], "all-paused", 60),
        ([plan(hold=[{"start": "2031-05-30", "end": "2031-07-01"}])], "all-paused", 60),
        ([plan(start="2031-07-01")], "no-plan", 0),
        (
            [plan(start="2031-06-05T08:00:00+02:00", end="2031-06-05T08:00:00+02:00")],
            "no-plan",
            0,
        ),
        ([plan(status="draft")], "no-plan", 0),
        ([plan(regimen(asNeeded=True))], "no-schedule", 0),
        ([], "no-plan", 0),
    ],
)
def test_nothing_due_has_no_score(plans: Sequence[Programme], reason: str, paused: int) -> None:
    found = _june(history(plans)).figures["sessions"]
    assert found == Figure(found.numerator, 0, paused, None, None, None, reason)  # type: ignore[arg-type]
    assert found.numerator == 0


def test_an_admission_takes_out_what_it_covers() -> None:
    """From the 10th at 15:00 to the 14th at 09:00; slots at 08:00 and 19:00: the 10th's evening,
    both of the 11th, 12th and 13th, the 14th's morning: 8 of 60."""
    timed = regimen(schedule={"timeOfDay": ["08:00", "19:00"]})
    admission = pause("2031-06-10T15:00:00+02:00", "2031-06-14T09:00:00+02:00")
    log = session("2031-06-12T10:00:00+02:00")
    answer = _june(history([plan(timed)], [log], pauses=[admission]))
    found = answer.figures["sessions"]
    assert (found.numerator, found.denominator, found.paused) == (0, 52, 8)
    assert [(row.ending, row.during_pause) for row in answer.received] == [("extra", True)]


def test_no_logs_at_all_is_told_apart_from_not_done() -> None:
    silent = _june(history([plan()]))
    assert counts(silent) == (0, 60)
    assert silent.received == ()
    assert (silent.unlogged_days, [spell.days for spell in silent.silent_spells]) == (30, [30])
    refused = [
        session(f"2031-06-{day:02}T08:00:00+02:00", outcome="not-done") for day in range(1, 31)
    ]
    told = _june(history([plan()], refused))
    assert counts(told) == (0, 60)
    assert (told.unlogged_days, told.silent_spells) == (0, ())
    assert told.endings == {"not-done": 30}


def test_an_unwell_spell_counts_once_it_is_known() -> None:
    """Two a day when well, four when unwell; unwell from the 20th to the 22nd, told on the 25th."""
    unwell = regimen(4, key="unwell", healthState="unwell", unwellRule="replaces")
    both = plan(regimen(2, healthState="well"), unwell)
    told = [Known("u", 1, datetime(2031, 6, 25, tzinfo=UTC), state("2031-06-20", "2031-06-22"))]
    what = History(known([both]), states=told)
    assert counts(_june(what)) == (0, 66)
    assert counts(_june(what, known_at=datetime(2031, 6, 23, tzinfo=UTC))) == (0, 60)


@pytest.mark.parametrize(
    ("rule", "due"),
    [("replaces", {"unwell": 2}), ("adds", {"opep": 1, "unwell": 2})],
)
def test_unwell_replaces_or_adds(rule: str, due: dict[str, int]) -> None:
    unwell = regimen(2, key="unwell", healthState="unwell", unwellRule=rule)
    both = plan(regimen(1, healthState="well"), unwell)
    answer = ask(history([both], states=[state("2031-05-03")]), "2031-05-03", "2031-05-03")
    found = [row.regimen for row in answer.ledger]
    assert {key: found.count(key) for key in set(found)} == due


def test_of_overlapping_states_the_latest_known_wins() -> None:
    unwell = plan(regimen(1, healthState="unwell", unwellRule="replaces"))
    states = [
        Known("b", 1, datetime(2031, 5, 1, tzinfo=UTC), state("2031-05-01", "2031-05-10")),
        Known("a", 1, datetime(2031, 5, 9, tzinfo=UTC), state("2031-05-04", value="well")),
    ]
    assert counts(ask(History(known([unwell]), states=states), "2031-05-01", "2031-05-10"))[1] == 3


def test_a_pause_from_supper_on_is_judged_by_the_family_s_own_supper() -> None:
    """Before supper: at 17:00 in this family, at 18:00 as usual; away from 17:30 on."""
    before_supper = regimen(schedule={"when": ["ACV"]})
    away = pause("2031-05-01T17:30:00+02:00", "2031-05-01T21:00:00+02:00")
    own = plan(before_supper, routine={"supper": "17:00"})
    for what, due in ((own, 1), (plan(before_supper), 0)):
        answer = ask(history([what], pauses=[away]), "2031-05-01", "2031-05-01")
        assert counts(answer)[1] == due


# Ranges, alternatives, overlaps, windows


def test_two_to_three_a_day() -> None:
    """Minimum 2, maximum 3; logged 2, 3, 4 and 1: three days met, one in part, one row over."""
    ranged = regimen(schedule={"frequency": 2, "frequencyMax": 3, "period": 1, "periodUnit": "d"})
    done = sessions_on("2031-05-01", [2, 3, 4, 1])
    answer = ask(history([plan(ranged)], done), "2031-05-01", "2031-05-04")
    assert counts(answer) == (7, 8)
    assert counts(answer, "days") == (3, 4)
    assert answer.endings == {"matched": 7, "extra": 2, "over": 1}
    assert {row.most for row in answer.ledger} == {3}


def test_any_alternative_fulfils_what_is_due() -> None:
    mask = {"key": "pep", "technique": "pep", "oneOf": "daily"}
    alternatives = plan(regimen(2, oneOf="daily"), regimen(2, **mask))
    done = [
        session("2031-05-01T08:00:00+02:00", technique="pep"),
        session("2031-05-01T18:00:00+02:00", technique="opep", regimen="pep"),
        session("2031-05-02T08:00:00+02:00", technique="autogenic-drainage"),
    ]
    answer = ask(history([alternatives], done), "2031-05-01", "2031-05-02")
    assert counts(answer) == (2, 4)
    assert answer.endings == {"matched": 2, "extra": 1}


def test_one_session_told_by_diary_and_device_is_credited_once() -> None:
    told = [
        session("2031-05-01T08:00:00+02:00", end="2031-05-01T08:20:00+02:00"),
        session("2031-05-01T08:02:00+02:00", minutes=15, recordedBy="device"),
        session("2031-05-01T08:05:00+02:00", minutes=15, technique="pep"),
    ]
    answer = ask(history([plan()], told), "2031-05-01", "2031-05-01")
    assert [row.ending for row in answer.received] == ["duplicate", "matched", "extra"]
    assert [row.credit.value.recorded_by for row in answer.ledger if row.credit] == ["device"]


def test_a_session_that_names_its_regimen_comes_first() -> None:
    """An unnamed morning session does not take the place of the evening's own session."""
    morning = regimen(1, key="morning", schedule={"timeOfDay": ["07:00"]}, dose=_minutes(10))
    evening = regimen(1, key="evening", schedule={"timeOfDay": ["19:00"]}, dose=_minutes(30))
    done = [
        session("2031-05-01T07:00:00+02:00", minutes=5, regimen="evening"),
        session("2031-05-01T19:00:00+02:00", minutes=30),
    ]
    answer = ask(history([plan(morning, evening)], done), "2031-05-01", "2031-05-01")
    assert [(row.regimen, row.credit.id) for row in answer.ledger if row.credit] == [
        ("morning", "0001"),
        ("evening", "0000"),
    ]


def _minutes(minutes: int) -> dict[str, object]:
    return {"basis": "minutes", "minutes": minutes}


def test_nothing_is_carried_over_between_windows() -> None:
    weekly = regimen(schedule={"frequency": 2, "period": 1, "periodUnit": "wk"})
    done = sessions_on("2031-05-05", [1, 1, 1, 1, 0, 0, 0])
    answer = ask(history([plan(weekly, start="2031-05-05")], done), "2031-05-05", "2031-05-18")
    assert counts(answer) == (2, 4)
    assert answer.endings == {"matched": 2, "extra": 2}
    assert answer.figures["days"].reason == "no-daily-regimen"


def test_a_week_that_a_plan_change_leaves_as_it_is_stays_one_week() -> None:
    schedule = {"frequency": 2, "period": 1, "periodUnit": "wk", "bounds": {"start": "2031-05-05"}}
    weekly = regimen(schedule=schedule)
    plans = [plan(weekly, start="2031-05-05"), plan(weekly, start="2031-05-08")]
    done = sessions_on("2031-05-05", [1, 1])
    assert counts(ask(history(plans, done), "2031-05-05", "2031-05-11")) == (2, 2)


def test_a_week_ends_for_a_regimen_that_the_new_plan_drops() -> None:
    weekly = regimen(schedule={"frequency": 2, "period": 1, "periodUnit": "wk"})
    plans = [
        plan(weekly, start="2031-05-05"),
        plan(regimen(1, technique="pep"), start="2031-05-08"),
    ]
    done = sessions_on("2031-05-09", [1])
    answer = ask(history(plans, done), "2031-05-05", "2031-05-08")
    assert counts(answer) == (0, 2)


def test_the_day_of_the_ledger_is_the_childs() -> None:
    late = plan(dayBoundary="04:00")
    done = [session("2031-05-02T02:30:00+02:00")]
    answer = ask(history([late], done), "2031-05-01", "2031-05-01")
    assert [row.day for row in answer.received] == [date(2031, 5, 1)]
    assert counts(answer) == (1, 2)


@pytest.mark.parametrize(
    ("dose", "done", "share"),
    [
        (_minutes(20), {"minutes": 15}, 0.75),
        (_minutes(20), {"minutes": 40}, 1.0),
        (_minutes(20), {"end": "2031-05-01T08:10:00+02:00"}, 0.5),
        (_minutes(20), {}, 1.0),
        (_minutes(20), {"outcome": "partial"}, 0.0),
        ({"basis": "cycles", "cycles": 6}, {"cycles": 3, "outcome": "partial"}, 0.5),
        ({"basis": "sets", "sets": 4}, {"sets": 1}, 0.25),
        ({"basis": "minutes", "blocks": 4, "blockMinutes": 5}, {"minutes": 10}, 0.5),
        ({"cycles": 6}, {"cycles": 3}, None),
    ],
)
def test_dose(dose: dict[str, object], done: dict[str, object], share: float | None) -> None:
    what = history([plan(regimen(1, dose=dose))], [session("2031-05-01T08:00:00+02:00", **done)])
    found = ask(what, "2031-05-01", "2031-05-01").figures["dose"]
    assert found.score == share
    assert (found.low, found.high) == (None, None)
    assert found.reason == (None if share is not None else "no-dose-basis")


def test_silence_of_fourteen_days_is_marked_and_a_pause_is_not_silence() -> None:
    done = sessions_on("2031-05-01", [1] * 5 + [0] * 20 + [1])
    away = pause("2031-05-08", "2031-05-12")
    answer = ask(history([plan()], done, pauses=[away]), "2031-05-01", "2031-05-26")
    assert [(spell.first.day, spell.last.day, spell.days) for spell in answer.silent_spells] == [
        (6, 25, 15)
    ]
    assert (answer.observed_days, answer.unlogged_days) == (6, 15)


def test_the_last_day_cannot_come_before_the_first() -> None:
    with pytest.raises(ValueError, match="last day"):
        ask(history([plan()]), "2031-05-02", "2031-05-01")


def test_a_plan_without_end_in_time_or_without_a_known_zone_breaks_nothing() -> None:
    strange = [
        plan(start="0001-01-01", end="0001-01-02"),
        plan(start="2031-06-01", end="9999-12-31"),
        plan(zone="Europe/Atlantis", start="2031-05-02"),
    ]
    answer = ask(history([plan(), *strange]), "2031-05-01", "2031-06-02")
    assert {piece.id for piece in answer.plans} == {"0000", "0002"}
    assert counts(answer) == (0, 33 * 2)


def test_an_open_window_is_matched_from_where_it_opened() -> None:
    """A fortnight's window, asked about on one of its last days: the occurrence that stands there
    is the second, and the one session of the fortnight fulfils the first."""
    fortnight = regimen(schedule={"frequency": 2, "period": 2, "periodUnit": "wk"})
    done = sessions_on("2031-05-13", [1])
    what = history([plan(fortnight, start="2031-05-05")], done)
    assert counts(ask(what, "2031-05-15", "2031-05-15")) == (0, 1)
    assert counts(ask(what, "2031-05-05", "2031-05-18")) == (1, 2)
