"""What is laid before the clinician at a review: documents and findings, gathered and unjudged."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from typing import Literal

from service.programme.adherence import Adherence, Known
from service.programme.adherence.days import Day
from service.programme.goals import Progress
from service.programme.plan import Child, Goal, Programme
from service.programme.review import TechniqueReview

Severity = Literal["high", "moderate", "low"]


@dataclass(frozen=True, slots=True)
class Caution:
    """What is to be known before acting on the plan in force, in the words of the check.

    ``open``: no override answers it.
    """

    text: str
    open: bool


@dataclass(frozen=True, slots=True)
class Issue:
    """A safety finding as it is kept.

    ``since`` is when it happened first, ``times`` how often, ``answers`` what clinicians wrote of
    it, ``task`` the status of the task for the team, if there is one.
    """

    title: str
    detail: str
    severity: Severity | None
    since: date | datetime | None
    times: int
    task: str | None
    answers: Sequence[str]
    open: bool


@dataclass(frozen=True, slots=True)
class Appointment:
    """One child's review.

    ``plan`` is the one in force at ``answer.known_at``; ``plans`` are all by the id of their
    CarePlan. ``cautions`` are by what is known now, also where the answer is of an earlier time;
    None where they could not be worked out. ``reviews`` are of the asked time and the last ones
    before it, newest first. ``unreadable`` counts findings and reviews that cannot be read.
    """

    child: Child
    plan: Known[Programme] | None
    plans: Mapping[str, Programme]
    answer: Adherence
    days: Sequence[Day]
    cautions: Sequence[Caution] | None
    issues: Sequence[Issue]
    reviews: Sequence[TechniqueReview]
    goals: Sequence[tuple[Goal, Progress | None]]
    unreadable: int = 0
