"""Precautions: what the safety screen, a diagnosis or the age says against a technique.

A yes asks for an override or is noted, as the precaution's data and the clinic's policy have it; no
prescription is changed. What is not known is said: an open question is never taken for no.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Literal

from service.programme.checks.cautions import Raised, diagnoses, youngest_age
from service.programme.checks.policy import KnownChild, Policy
from service.programme.checks.problems import Problem
from service.programme.checks.view import View
from service.programme.moments import is_before
from service.programme.plan import Screen
from service.programme.precautions import (
    AGE,
    PRECAUTIONS,
    SCREEN_MISSING,
    Precaution,
    Use,
    caution_of,
)

_NOT_FOLLOWED = frozenset({"on-hold", "completed", "revoked", "entered-in-error"})
"""A programme that is held for a reason must not be refused for it."""
_OWN_POLICY = "the clinic's own policy"
_Coding = tuple[str | None, str | None]


@dataclass(frozen=True, slots=True)
class _Child:
    """What is known of the child: age in years, coded diagnoses, screens, the latest of each."""

    age: int | None
    coded: set[_Coding]
    screens: Sequence[Screen]

    def says(self, one: Precaution, use: Use, policy: Policy) -> str | None:
        """What says that the precaution is there; None where nothing does."""
        if use.below_age is not None:
            is_below = self.age is not None and self.age < use.below_age
            return f"a child of {self.age}" if is_below else None
        for system, code in sorted(policy.says_precaution.get(one.code, ())):
            if (system, code) in self.coded:
                return f"the diagnosis {system}|{code}"
        screen = self._yes(one.code)
        return None if screen is None else f"yes in the safety screen{_of(screen)}"

    def _yes(self, code: str) -> Screen | None:
        """A yes stands until a screen that is certainly later says no."""
        noes = [one for one in self.screens if one.answer.get(code) == "no"]
        yeses = (one for one in self.screens if one.answer.get(code) == "yes")
        return next((one for one in yeses if not any(_is_later(no, one) for no in noes)), None)

    def is_open(self, code: str) -> bool:
        """Whether no screen says yes or no."""
        return all(one.answer.get(code, "unknown") == "unknown" for one in self.screens)


def precautions(programme: View, policy: Policy, known: KnownChild) -> Iterator[Raised]:
    """Every caution and warning about what the child's state says against the techniques."""
    screens = (*_of_document(programme.part("screen")), *known.screens)
    child = _Child(youngest_age(programme, known), diagnoses(programme, known), screens)
    is_followed, wants_screen = programme.value("status") not in _NOT_FOLLOWED, False
    for regimen in programme.parts("regimen"):
        technique = regimen.value("technique") or ""
        bearing = [
            (one, use)
            for one in PRECAUTIONS.values()
            if (use := bears(one, technique, policy)) is not None
        ]
        yield from _said(regimen, bearing, child, policy, is_followed)
        asked = [one.code for one, _ in bearing if one.question is not None]
        wants_screen |= bool(asked)
        if asked and not screens and policy.require_screen and is_followed:
            yield _raised(regimen, "caution", SCREEN_MISSING, None, "a safety screen")
        elif screens and (open_ := [code for code in asked if child.is_open(code)]):
            yield _raised(regimen, "warning", "screen-unknown", ", ".join(open_), "yes or no")
    if wants_screen and not screens and not (policy.require_screen and is_followed):
        path, expected = programme.at("screen"), "a safety screen"
        yield Raised(Problem(path, "warning", SCREEN_MISSING, None, expected), None)


def bears(one: Precaution, technique: str, policy: Policy) -> Use | None:
    """How a precaution bears on a technique in this clinic; None where it does not."""
    use = one.use_for(technique)
    if one.code == AGE and technique in policy.minimum_age:
        age = policy.minimum_age[technique]
        use = Use((technique,), "blocking", _OWN_POLICY, below_age=age)
    if use is None:
        return None
    effect = policy.precautions.get(one.code)
    if effect is None:
        return None if use.standing == "unverified" else use
    return None if effect == "off" else replace(use, effect=effect)


def _said(
    regimen: View,
    bearing: Sequence[tuple[Precaution, Use]],
    child: _Child,
    policy: Policy,
    is_followed: bool,
) -> Iterator[Raised]:
    for one, use in bearing:
        found = child.says(one, use, policy)
        if found is not None:
            is_caution = is_followed and use.effect == "blocking"
            kind: Literal["caution", "warning"] = "caution" if is_caution else "warning"
            age = use.below_age
            expected = "a child without it" if age is None else f"a child of {age} years or more"
            yield _raised(regimen, kind, caution_of(one.code), found, expected, use.source)


def _raised(
    regimen: View,
    kind: Literal["caution", "warning"],
    key: str,
    found: str | None,
    expected: str,
    source: str | None = None,
) -> Raised:
    problem = Problem(regimen.at("technique"), kind, key, found, expected, source)
    return Raised(problem, regimen.value("key"))


def _of_document(screen: View) -> Iterator[Screen]:
    """The answers that the document itself holds, as far as they can be read."""
    answers = screen.value("answer")
    if answers:
        yield Screen(date=screen.value("date"), answer=answers)


def _is_later(one: Screen, other: Screen) -> bool:
    return one.date is not None and other.date is not None and is_before(other.date, one.date)


def _of(screen: Screen) -> str:
    return "" if screen.date is None else f" of {screen.date.isoformat()}"
