"""Checks: from raw JSON to a document of the trade, or to everything that is wrong with it.

Every problem is named at once, in any combination: a field of the wrong kind does not hide a
rule that is broken elsewhere. A caution that the document does not override refuses it.
"""

from collections.abc import Iterable
from datetime import datetime
from typing import Any

from service.programme.checks.cautions import Raised, cautions
from service.programme.checks.limits import impossible_values
from service.programme.checks.log import before_birth, clock_is_doubtful, session_problems
from service.programme.checks.plan import course_problems, plan_problems
from service.programme.checks.policy import KnownChild, Policy
from service.programme.checks.precautions import precautions
from service.programme.checks.problems import MESSAGES, Checked, Problem
from service.programme.checks.review import review_problems
from service.programme.checks.shape import ModelT, read
from service.programme.checks.timing import end_before_start
from service.programme.checks.view import View
from service.programme.log import HealthState, Pause, Session
from service.programme.plan import Programme
from service.programme.review import TechniqueReview

__all__ = [
    "MESSAGES",
    "Checked",
    "KnownChild",
    "Policy",
    "Problem",
    "check_cautions",
    "check_health_state",
    "check_pause",
    "check_programme",
    "check_review",
    "check_session",
    "why_not_computable",
]

DEFAULT_POLICY = Policy()
_NO_DAYS = frozenset({"unknown-zone", "zone-order", "impossible-date", "end-before-start"})
STRANGER = KnownChild()


def check_programme(
    raw: Any, *, policy: Policy = DEFAULT_POLICY, known: KnownChild = STRANGER
) -> Checked[Programme]:
    """A programme. ``known`` is for a child whom the document only refers to."""
    programme, shape = read(Programme, raw)
    view = View(Programme, raw, Programme.__name__)
    return _checked(programme, (*shape, *plan_problems(view)), view, policy, known)


def check_cautions(
    programme: Programme, *, policy: Policy = DEFAULT_POLICY, known: KnownChild = STRANGER
) -> Checked[Programme]:
    """Of what ``check_programme`` finds only cautions and warnings: of a programme that was
    accepted before, by what is known of the child now and by the clinic's policy of today."""
    return _checked(programme, (), View.of(programme), policy, known)


def check_session(
    raw: Any,
    *,
    now: datetime,
    policy: Policy = DEFAULT_POLICY,
    known: KnownChild = STRANGER,
) -> Checked[Session]:
    """A session, received at ``now``. One whose clock cannot be right is marked, not refused."""
    session, shape = read(Session, raw)
    view = View(Session, raw, Session.__name__)
    problems = _each_once((*shape, *session_problems(view, policy, known)))
    if problems or session is None:
        return Checked(None, problems)
    if clock_is_doubtful(session, policy, now):
        session = session.model_copy(update={"clock": "suspect"})
    return Checked(session)


def check_health_state(raw: Any, *, known: KnownChild = STRANGER) -> Checked[HealthState]:
    """A spell of being well or unwell."""
    return _check_spell(HealthState, raw, known)


def check_pause(raw: Any, *, known: KnownChild = STRANGER) -> Checked[Pause]:
    """A time when nothing is due."""
    return _check_spell(Pause, raw, known)


def check_review(raw: Any, *, known: KnownChild = STRANGER) -> Checked[TechniqueReview]:
    """What a clinician saw when a child showed a technique."""
    review, shape = read(TechniqueReview, raw)
    view = View(TechniqueReview, raw, TechniqueReview.__name__)
    problems = _each_once((*shape, *review_problems(view, known)))
    return Checked(None if problems else review, problems)


def why_not_computable(programme: Programme) -> tuple[Problem, ...]:
    """What keeps a plan out of adherence: zones, dates and schedules that cannot be followed.

    For plans that did not come as documents and were never checked as such.
    """
    problems = course_problems(View.of(programme))
    return tuple(one for one in problems if one.key in _NO_DAYS or ".schedule." in one.path)


def _checked(
    programme: Programme | None,
    problems: Iterable[Problem],
    view: View,
    policy: Policy,
    known: KnownChild,
) -> Checked[Programme]:
    raised = [*cautions(view, policy, known), *precautions(view, policy, known)]
    warnings = tuple(one.problem for one in raised if one.problem.kind == "warning")
    to_answer = [one for one in raised if one.problem.kind == "caution"]
    accepted, still_open = _judged(to_answer, _overridden(view))
    found = _each_once((*problems, *still_open))
    return Checked(None if found else programme, found, accepted, warnings)


def _check_spell(model: type[ModelT], raw: Any, known: KnownChild) -> Checked[ModelT]:
    document, shape = read(model, raw)
    view = View(model, raw, model.__name__)
    rules = (*impossible_values(view), *end_before_start(view), *before_birth(view, known))
    problems = _each_once((*shape, *rules))
    return Checked(None if problems else document, problems)


def _overridden(view: View) -> set[tuple[str, str]]:
    """Caution and regimen of every override that has its author and reason."""
    complete = ("caution", "regimen", "author", "reason")
    read_out = [[part.value(name) for name in complete] for part in view.parts("override")]
    return {(row[0], row[1]) for row in read_out if None not in row}


def _judged(
    raised: Iterable[Raised], overridden: set[tuple[str, str]]
) -> tuple[tuple[Problem, ...], tuple[Problem, ...]]:
    accepted: list[Problem] = []
    still_open: list[Problem] = []
    for caution in raised:
        is_accepted = (caution.problem.key, caution.regimen) in overridden
        (accepted if is_accepted else still_open).append(caution.problem)
    return tuple(accepted), tuple(still_open)


def _each_once(problems: Iterable[Problem]) -> tuple[Problem, ...]:
    """One problem per place and key: two rules may notice the same thing."""
    return tuple({(item.path, item.key): item for item in problems}.values())
