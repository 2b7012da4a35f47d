"""What holds for every history: parts add up, nothing is lost, more done is never worse."""

from collections import Counter
from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from fractions import Fraction
from typing import Any, TypeVar

from histories import LATER, ask, history, pause, plan, regimen, session, state
from hypothesis import given, settings
from hypothesis import strategies as st

from service.programme.adherence import Adherence, History, Known, LeftOut, adherence
from service.programme.adherence.cohort import group_adherence
from service.programme.adherence.counting import counted
from service.programme.adherence.due import due_around
from service.programme.adherence.series import weeks
from service.programme.adherence.timeline import Timeline
from service.programme.calendar import BEGINNING, END, Span
from service.programme.intervals import wilson
from service.programme.log import Session
from service.programme.plan import Programme
from service.programme.zones import zone

T = TypeVar("T")
BEGIN = datetime(2031, 3, 20, tzinfo=UTC)
DAYS = 24
FIRST, LAST = date(2031, 3, 22), date(2031, 4, 10)

schedules: st.SearchStrategy[dict[str, Any]] = st.sampled_from(
    [
        {"frequency": 1, "period": 1, "periodUnit": "d"},
        {"frequency": 3, "period": 1, "periodUnit": "d"},
        {"frequency": 1, "frequencyMax": 2, "period": 1, "periodUnit": "d"},
        {"frequency": 2, "period": 1, "periodUnit": "wk"},
        {"frequency": 1, "period": 36, "periodUnit": "h"},
        {"dayOfWeek": ["tue", "sat"]},
        {"timeOfDay": ["02:30", "19:00"]},
    ]
)
techniques = st.sampled_from(["opep", "pep"])
minutes = st.integers(0, DAYS * 24 * 60)


@st.composite
def plans(draw: st.DrawFn) -> list[Programme]:
    """One or two plans, each with up to four regimens, through the change of the clocks."""
    found: list[Programme] = []
    for begin in ["2031-03-20", *draw(st.sampled_from([[], ["2031-04-01"], ["2031-03-30"]]))]:
        regimens = [
            regimen(
                key=f"r{index}",
                technique=draw(techniques),
                schedule=draw(schedules),
                healthState=draw(st.sampled_from(["any", "well"])),
                oneOf=draw(st.sampled_from([None, None, "either"])),
            )
            for index in range(draw(st.integers(1, 3)))
        ]
        if draw(st.booleans()):
            rule = draw(st.sampled_from(["adds", "replaces"]))
            regimens.append(regimen(2, key="u", healthState="unwell", unwellRule=rule))
        found.append(
            plan(*regimens, start=begin, dayBoundary=draw(st.sampled_from(["00:00", "03:00"])))
        )
    boundary = found[0].day_boundary
    return [one.model_copy(update={"day_boundary": boundary}) for one in found]


@st.composite
def sessions(draw: st.DrawFn, at_night: bool = True) -> Session:
    start = BEGIN + timedelta(minutes=draw(minutes))
    if not at_night:
        start = start.replace(hour=draw(st.integers(6, 18)))
    return session(
        start,
        technique=draw(techniques),
        regimen=draw(st.sampled_from([None, None, "r0", "r1", "u"])),
        minutes=draw(st.sampled_from([None, 10, 40])),
        recordedBy=draw(st.sampled_from(["diary", "device"])),
        outcome=draw(st.sampled_from(["complete", "complete", "partial", "not-done"])),
        clock=draw(st.sampled_from([None, None, None, "suspect"])),
    )


def _spell(draw: st.DrawFn) -> tuple[str, str]:
    begin = draw(st.integers(0, DAYS))
    first = date(2031, 3, 20) + timedelta(days=begin)
    return first.isoformat(), (first + timedelta(days=draw(st.integers(0, 5)))).isoformat()


@st.composite
def histories_of_one_child(draw: st.DrawFn, at_night: bool = True) -> History:
    unwell = [state(*_spell(draw)) for _ in range(draw(st.integers(0, 2)))]
    away = [pause(*_spell(draw)) for _ in range(draw(st.integers(0, 2)))]
    done = draw(st.lists(sessions(at_night), max_size=40))
    what = history(draw(plans()), done, unwell, away)
    return replace(what, sessions=[_perhaps_excluded(draw, one) for one in what.sessions])


def _perhaps_excluded(draw: st.DrawFn, one: Known[Session]) -> Known[Session]:
    return one._replace(excluded=draw(st.sampled_from([*8 * [None], "entered-in-error"])))


def _ask(what: History, first: date = FIRST, last: date = LAST) -> Adherence:
    return ask(what, first.isoformat(), last.isoformat())


def _sum(parts: list[Adherence], figure: str) -> tuple[Fraction, int, int]:
    found = [part.figures[figure] for part in parts]  # type: ignore[index]
    numerators = sum((one.numerator for one in found), Fraction(0))
    return numerators, sum(one.denominator for one in found), sum(one.paused for one in found)


@given(what=histories_of_one_child(), cut=st.integers(0, 18))
def test_parts_of_a_range_add_up_to_the_range(what: History, cut: int) -> None:
    middle = FIRST + timedelta(days=cut)
    parts = [_ask(what, FIRST, middle), _ask(what, middle + timedelta(days=1), LAST)]
    whole = _ask(what)
    for figure in whole.figures:
        assert _sum(parts, figure) == _sum([whole], figure)
    assert (*parts[0].ledger, *parts[1].ledger) == whole.ledger
    placed = [row for part in parts for row in part.received if row.ending != "doubtful"]
    assert placed == [row for row in whole.received if row.ending != "doubtful"]
    one, other, both = (
        [row for row in a.received if row.ending == "doubtful"] for a in (*parts, whole)
    )
    assert one == other == both


@given(what=histories_of_one_child())
def test_every_row_received_ends_once(what: History) -> None:
    answer = _ask(what, date(2031, 3, 1), date(2031, 4, 30))
    assert sum(answer.endings.values()) == len(what.sessions)
    credited = [row.credit.id for row in answer.ledger if row.credit is not None]
    assert len(credited) == len(set(credited)) == answer.endings["matched"]


@given(what=histories_of_one_child(), unreadable=st.integers(0, 3), cut=st.integers(0, 19))
def test_placed_unplaced_and_excluded_add_up_to_received(
    what: History, unreadable: int, cut: int
) -> None:
    """Over all days to what came in; over any days to the rows that are shown, and to those that
    have no day."""
    lost = [LeftOut(f"Observation/{k}", 1, "no technique", "session") for k in range(unreadable)]
    lost.append(LeftOut("CarePlan/x", 1, "no start", "plan"))
    odd = replace(what, left_out=lost)
    rows = _ask(odd, date(2031, 3, 1), date(2031, 4, 30)).row_counts
    assert rows.placed + rows.unplaced + rows.excluded == rows.received
    assert rows.received == len(what.sessions) + unreadable
    some = _ask(odd, FIRST, FIRST + timedelta(days=cut))
    assert some.row_counts.received == len(some.received) + unreadable
    for answer in (some, *(_of(odd, technique) for technique in ("opep", "pep"))):
        rows = answer.row_counts
        assert rows.placed + rows.unplaced + rows.excluded == rows.received


@given(what=histories_of_one_child(), cuts=st.sets(st.integers(0, 18)))
def test_any_parts_of_a_range_add_up(what: History, cuts: set[int]) -> None:
    ends = [*(FIRST + timedelta(days=cut) for cut in sorted(cuts)), LAST]
    begins = [FIRST, *(end + timedelta(days=1) for end in ends[:-1])]
    parts = [_ask(what, *part) for part in zip(begins, ends, strict=True)]
    whole = _ask(what)
    for figure in whole.figures:
        assert _sum(parts, figure) == _sum([whole], figure)
    placed = [part.row_counts.placed for part in parts]
    assert sum(placed) == whole.row_counts.placed


def _of(what: History, technique: str) -> Adherence:
    return adherence(what, FIRST, LAST, known_at=LATER, now=LATER, technique=technique)


@given(what=histories_of_one_child())
def test_techniques_asked_one_by_one_add_up_and_are_the_split(what: History) -> None:
    whole = _ask(what)
    parts = [_of(what, technique) for technique in ("opep", "pep")]
    assert _sum(parts, "sessions") == _sum([whole], "sessions")
    assert sum((part.endings for part in parts), Counter()) == whole.endings
    for part in parts:
        split = whole.splits["technique"].get(str(part.technique))
        if split is not None:
            assert part.figures["sessions"] == split["sessions"]


@given(what=histories_of_one_child(), data=st.data())
def test_neither_order_nor_repetition_matters(what: History, data: st.DataObject) -> None:
    """The same versions in another order, some of them twice."""

    def mixed(things: Sequence[Known[T]]) -> list[Known[T]]:
        again = data.draw(st.lists(st.sampled_from(things), max_size=4)) if things else []
        return data.draw(st.permutations([*things, *again]))

    other = History(mixed(what.plans), mixed(what.sessions), mixed(what.states), mixed(what.pauses))
    assert _ask(other) == _ask(what)


@given(what=histories_of_one_child(), data=st.data())
def test_a_session_told_again_under_another_number_changes_no_figure(
    what: History, data: st.DataObject
) -> None:
    if what.sessions:
        one = data.draw(st.sampled_from(what.sessions))
        again = replace(what, sessions=[*what.sessions, one._replace(id="again")])
        assert _ask(again).figures == _ask(what).figures


@given(what=histories_of_one_child())
def test_weeks_add_up(what: History) -> None:
    answer = _ask(what)
    found = weeks(answer)
    whole = answer.figures["sessions"]
    assert sum(week.figure.numerator for week in found) == whole.numerator
    assert sum(week.figure.denominator for week in found) == whole.denominator
    assert sum(week.figure.paused for week in found) == whole.paused
    assert sum(week.unlogged_days for week in found) == answer.unlogged_days
    assert sum(week.due_days for week in found) == answer.observed_days + answer.unlogged_days


@given(children=st.lists(histories_of_one_child(), max_size=4))
@settings(max_examples=40)
def test_a_group_is_its_children(children: list[History]) -> None:
    answers = [_ask(child) for child in children]
    group = group_adherence(answers, FIRST, LAST, known_at=LATER, now=LATER)
    for name, figure in group.figures.items():
        own = [answer.figures[name] for answer in answers]
        scores = [one.score for one in own if one.score is not None]
        assert figure.numerator == sum(one.numerator for one in own)
        assert (figure.children, figure.scored) == (len(own), len(scores))
        assert (figure.score is None) == (not scores)
        if figure.score is not None:
            assert min(scores) - 1e-12 <= figure.score <= max(scores) + 1e-12
    rows = group.row_counts
    assert rows.received == sum(answer.row_counts.received for answer in answers)
    assert rows.placed + rows.unplaced + rows.excluded == rows.received


@given(
    what=histories_of_one_child(),
    lost=st.integers(0, 2),
    technique=st.sampled_from([None, "opep", "pep"]),
    cut=st.integers(0, 19),
)
@settings(max_examples=300)
def test_what_is_counted_for_a_group_is_the_answer_for_the_child(
    what: History, lost: int, technique: str | None, cut: int
) -> None:
    left_out = [LeftOut(f"Observation/{k}", 1, "no technique", "session") for k in range(lost)]
    odd, last = replace(what, left_out=left_out), FIRST + timedelta(days=cut)
    answer = adherence(odd, FIRST, last, known_at=LATER, now=LATER, technique=technique)
    found = counted(odd, FIRST, last, known_at=LATER, technique=technique)
    assert found.figures == answer.figures
    assert (found.row_counts, found.endings) == (answer.row_counts, answer.endings)
    days = (answer.observed_days, answer.unlogged_days)
    assert (found.observed_days, found.unlogged_days) == days


@given(what=histories_of_one_child())
def test_no_figure_leaves_its_bounds(what: History) -> None:
    for name, figure in _ask(what).figures.items():
        assert 0 <= figure.numerator <= figure.denominator
        assert (figure.score is None) == (figure.denominator == 0) == (figure.reason is not None)
        if name != "dose" and figure.denominator:
            assert (figure.low, figure.high) == wilson(int(figure.numerator), figure.denominator)


@given(what=histories_of_one_child())
def test_splits_of_sessions_add_up(what: History) -> None:
    answer = _ask(what)
    whole = answer.figures["sessions"]
    by_source = [part["sessions"].numerator for part in answer.splits["source"].values()]
    assert sum(by_source) == whole.numerator
    for by in ("technique", "state"):
        parts = [part["sessions"] for part in answer.splits[by].values()]  # type: ignore[index]
        assert sum(part.denominator for part in parts) == whole.denominator
        assert sum(part.numerator for part in parts) == whole.numerator


@given(what=histories_of_one_child(at_night=False), more=sessions(at_night=False))
def test_one_more_session_never_lowers_the_score(what: History, more: Session) -> None:
    """Sessions by day: of two that overlap across midnight the device row is credited, on its own
    day, which may be a day that needs it less."""
    richer = replace(what, sessions=[*what.sessions, Known("more", 1, BEGIN, more)])
    before, after = _ask(what).figures["sessions"], _ask(richer).figures["sessions"]
    assert after.denominator == before.denominator
    assert after.numerator >= before.numerator


@given(what=histories_of_one_child(), data=st.data())
def test_a_pause_never_adds_to_what_was_missed(what: History, data: st.DataObject) -> None:
    away = Known("away", 1, BEGIN, pause(*_spell(data.draw)))
    rested = replace(what, pauses=[*what.pauses, away])
    before, after = _ask(what).figures["sessions"], _ask(rested).figures["sessions"]
    assert after.denominator - after.numerator <= before.denominator - before.numerator
    assert after.denominator + after.paused == before.denominator + before.paused


@given(what=histories_of_one_child(), data=st.data())
def test_a_pause_over_days_without_a_session_never_lowers_the_score(
    what: History, data: st.DataObject
) -> None:
    first, last = _spell(data.draw)
    done_then = any(
        first <= (row.day).isoformat() <= last for row in _ask(what).ledger if row.credit
    )
    rested = replace(what, pauses=[*what.pauses, Known("away", 1, BEGIN, pause(first, last))])
    before, after = _ask(what).figures["sessions"], _ask(rested).figures["sessions"]
    if not done_then and before.score is not None and after.score is not None:
        assert after.score >= before.score


@given(what=histories_of_one_child(), later=st.lists(sessions(), max_size=5), data=st.data())
@settings(max_examples=50)
def test_what_is_learnt_later_leaves_the_answer_of_then_as_it_was(
    what: History, later: list[Session], data: st.DataObject
) -> None:
    then = LATER - timedelta(days=300)
    news = History(
        [*what.plans, Known("0000", 2, LATER, plan(status="entered-in-error"))],
        [*what.sessions, *(Known(f"n{i}", 1, LATER, one) for i, one in enumerate(later))],
        [*what.states, Known("n", 1, LATER, state(*_spell(data.draw)))],
        [*what.pauses, Known("n", 1, LATER, pause(*_spell(data.draw)))],
    )
    answers = [adherence(h, FIRST, LAST, known_at=then, now=then) for h in (what, news)]
    assert answers[0] == answers[1]


@given(histories_of_one_child())
def test_what_is_due_to_the_unwell_alone_is_looked_for_long_enough(what: History) -> None:
    """As if any instant could be one of them."""
    timeline = Timeline(what, LATER, zone)
    asked = timeline.calendar.span(FIRST, LAST)
    found = due_around(timeline, asked)
    timeline.unwell = Span(BEGINNING, END)
    assert due_around(timeline, asked) == found
