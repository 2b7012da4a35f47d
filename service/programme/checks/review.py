"""Technique reviews: what each must say, and of what."""

from collections.abc import Iterator

from service.programme.checks.limits import impossible_values
from service.programme.checks.log import before_birth, unknown_means
from service.programme.checks.policy import KnownChild
from service.programme.checks.problems import Problem, refused
from service.programme.checks.view import View
from service.programme.review import REVIEW_STEPS


def review_problems(review: View, known: KnownChild) -> Iterator[Problem]:
    """Everything that is wrong with one review apart from its shape."""
    yield from impossible_values(review)
    yield from unknown_means(review)
    yield from before_birth(review, known, "date")
    reviewer = review.part("reviewer")
    if reviewer.present and not any(map(reviewer.has, ("reference", "identifier", "name"))):
        yield refused(reviewer.path, "who-it-is", None, "reference, identifier or name")
    yield from _steps(review.parts("step"))


def _steps(steps: list[View]) -> Iterator[Problem]:
    seen: set[str] = set()
    for one in steps:
        step = one.value("step")
        if step is not None and step not in REVIEW_STEPS:
            expected = f"one of {', '.join(REVIEW_STEPS)}"
            yield refused(one.at("step"), "unknown-step", step, expected)
        if step in seen:
            yield refused(one.at("step"), "step-twice", step, "each step once")
        seen |= {step} if step else set()
