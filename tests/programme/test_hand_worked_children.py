"""The pure answer equals the tables worked by hand; ``tests/api`` asks the same over HTTP."""

from collections import Counter
from datetime import date, datetime

import hand_worked
import pytest
from hand_worked import HandWorked, Json, Question, Sent

from service.programme.adherence import Adherence, History, Known, adherence
from service.programme.checks import check_pause, check_programme, check_session
from service.programme.device_clock import DeviceClock
from service.programme.log import Pause, Session
from service.programme.plan import Programme

ASKED = [
    pytest.param(child, question, id=f"{child.name}, {question.known_at[:10]}")
    for child in hand_worked.CHILDREN
    for question in child.questions
]


class _Record:
    """What was known when, as the documents say it, without a store."""

    def __init__(self, child: HandWorked) -> None:
        self.child = child
        self.plans: list[Known[Programme]] = []
        self.sessions: list[Known[Session]] = []
        self.pauses: list[Known[Pause]] = []
        for sent in child.sent:
            at = datetime.fromisoformat(sent.at)
            self.plans += [
                Known(f"plan-{len(self.plans)}", 1, at, _programme(raw)) for raw in sent.programmes
            ]
            self.pauses += [Known(f"stay-{at}", 1, at, _stay(child, raw)) for raw in sent.stays]
            for raw in sent.rows:
                self._keep(raw, at, sent)
            for key in sent.wrong:
                last = self._last(key)
                assert last is not None
                self.sessions.append(
                    Known(key, last.version + 1, at, last.value, "entered-in-error")
                )

    def _keep(self, raw: Json, at: datetime, sent: Sent) -> None:
        shows = datetime.fromisoformat(sent.device_clock) if sent.device_clock else None
        session = DeviceClock(at, shows).corrected(Session.model_validate(raw))
        checked = check_session(session.to_json(), now=at).value
        assert checked is not None
        key = raw["id"]["value"]
        last = self._last(key)
        if last is None or last.value != checked:
            version = 1 if last is None else last.version + 1
            self.sessions.append(Known(key, version, at, checked))

    def _last(self, key: str) -> Known[Session] | None:
        return next((one for one in reversed(self.sessions) if one.id == key), None)

    def ask(self, question: Question) -> Adherence:
        known_at = datetime.fromisoformat(question.known_at)
        first, last = date.fromisoformat(self.child.first), date.fromisoformat(self.child.last)
        history = History(plans=self.plans, sessions=self.sessions, pauses=self.pauses)
        return adherence(history, first, last, known_at=known_at, now=known_at)


def _programme(raw: Json) -> Programme:
    checked = check_programme(raw)
    assert checked.value is not None, checked.problems
    return checked.value


def _stay(child: HandWorked, raw: Json) -> Pause:
    told = {"source": "ward", "child": child.child, "reason": "admission", "decidedBy": "ward"}
    checked = check_pause(told | raw)
    assert checked.value is not None, checked.problems
    return checked.value


@pytest.mark.parametrize(("child", "question"), ASKED)
def test_the_answer_is_the_table(child: HandWorked, question: Question) -> None:
    answer = _Record(child).ask(question)
    assert _days(answer) == question.lines()
    assert {
        name: (float(figure.numerator), figure.denominator, figure.paused)
        for name, figure in answer.figures.items()
    } == question.figures
    assert answer.endings == question.endings
    assert (answer.observed_days, answer.unlogged_days) == question.days
    rows = answer.row_counts
    assert (rows.placed, rows.unplaced, rows.excluded) == question.rows
    assert rows.received == sum(question.rows)
    for technique, expected in question.techniques.items():
        found = answer.splits["technique"][technique]["sessions"]
        assert (float(found.numerator), found.denominator) == expected


def _days(answer: Adherence) -> dict[str, tuple[int, int, int, int]]:
    due: Counter[str] = Counter()
    done, paused, rows = Counter[str](), Counter[str](), Counter[str]()
    for row in answer.ledger:
        day = f"{row.day:%d %b}"
        due[day] += not row.paused
        done[day] += row.credit is not None
        paused[day] += row.paused
    for received in answer.received:
        if received.ending != "doubtful":
            rows[f"{received.day:%d %b}"] += 1
    return {day: (due[day], done[day], paused[day], rows[day]) for day in due}


def test_each_table_sums_to_its_figures() -> None:
    """A check of the tables themselves, so that no slip of the pen hides in them."""
    for child in hand_worked.CHILDREN:
        for question in child.questions:
            due, done, paused, rows = map(sum, zip(*question.lines().values(), strict=True))
            assert question.figures["sessions"] == (done, due, paused)
            placed, unplaced, excluded = question.rows
            assert placed + excluded == rows
            assert sum(question.endings.values()) == placed + unplaced + excluded
