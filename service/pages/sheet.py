"""The sheet that goes home: one page for the programme in force, in one language.

Three copies of the same sheet: the family's; the school's, with less (no diagnosis, nothing about
what comes up); the local hospital's, with more.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime, time
from typing import Literal

from service.pages.rendering import rendered
from service.pages.steps import HOW_MUCH, Step, steps_of
from service.programme.dose import Dose
from service.programme.plan import Override, Programme, Regimen
from service.programme.routine import routine_of
from service.programme.standing import Standing
from service.words import Words

Copy = Literal["family", "school", "local-hospital"]
COPIES: tuple[Copy, ...] = ("family", "school", "local-hospital")
Paper = Literal["A4", "Letter"]
PAPERS: tuple[Paper, ...] = ("A4", "Letter")
_NEEDS_AN_ADULT = frozenset({"assisted-autogenic-drainage", "postural-drainage"})
_END_OF_DAY = time(23, 59, 59)
_SHOWN = frozenset({"in-force", "draft", "not-yet", "on-hold", "paused"})
"""How a plan may stand for its steps to be shown at all."""


@dataclass(frozen=True, slots=True)
class Change:
    """A version of the plan: its number, from when it holds, who wrote it and why."""

    number: int
    start: date | datetime | None
    author: str | None
    reason: str | None


@dataclass(frozen=True, slots=True)
class Sheet:
    """What is to be shown, whatever the language.

    ``programme`` names its people. ``address`` is what the code opens, ``in_force`` where the
    version in force is shown, if there is another. ``today`` is the child's day; ``for_today`` says
    by the key of a regimen whether it falls on it, and is shown on the screen alone.
    """

    programme: Programme
    number: int
    standing: Standing
    address: str
    today: date
    for_today: Mapping[str, bool] = field(default_factory=dict)
    in_force: str | None = None
    coming: Change | None = None
    changes: Sequence[Change] = ()


@dataclass(frozen=True, slots=True)
class Card:
    """One regimen: what, when, how much, then its steps."""

    technique: str
    when: str
    how_much: tuple[str, ...]
    steps: tuple[Step, ...]
    regimen: Regimen
    overrides: tuple[Override, ...]
    place: str | None = None
    basis: str | None = None
    alternatives: str | None = None
    needs_adult: bool = False


@dataclass(frozen=True, slots=True)
class Column:
    """What is done in one state of health; ``same`` are cards that stand in full beside."""

    state: Literal["well", "unwell", "any"]
    cards: tuple[Card, ...]
    same: tuple[Card, ...] = ()
    replaces: bool = False


def sheet_html(sheet: Sheet, words: Words, copy: Copy, *, paper: Paper = "A4") -> str:
    """The sheet as an HTML page. A plan that must not be followed is not shown, only said so."""
    shown = sheet.standing.kind in _SHOWN
    return rendered(
        "sheet.html" if shown else "notice.html",
        words,
        sheet=sheet,
        plan=sheet.programme,
        copy=copy,
        paper=paper,
        columns=columns(sheet.programme, words, copy) if shown else (),
        is_overdue=_is_overdue(sheet),
    )


def columns(programme: Programme, words: Words, copy: Copy) -> tuple[Column, ...]:
    """Well and unwell side by side; one column where nothing tells them apart."""
    wanted = [one for one in programme.regimen if copy != "school" or _is_for_school(one)]
    well = [one for one in wanted if one.health_state in ("well", "any")]
    unwell = [one for one in wanted if one.health_state == "unwell"]
    added = all(one.unwell_rule == "adds" for one in unwell)
    kept = [one for one in well if one.health_state == "any" or (unwell and added)]
    cards = {one.key: _card(programme, words, one, copy) for one in wanted}

    def told(regimens: Iterable[Regimen]) -> tuple[Card, ...]:
        return tuple(cards[one.key] for one in _through_the_day(programme, regimens))

    if not unwell and len(kept) == len(well):
        return (Column("any", told(well)),)
    return (
        Column("well", told(well)),
        Column("unwell", told(unwell), told(kept), replaces=bool(unwell) and not added),
    )


def _card(programme: Programme, words: Words, regimen: Regimen, copy: Copy) -> Card:
    devices = {device.key: device for device in programme.device}
    dose = regimen.dose or Dose()
    fields = words.dose_fields(dose)
    others = [
        words.technique(one.technique)
        for one in programme.regimen
        if regimen.one_of is not None and one.one_of == regimen.one_of and one is not regimen
    ]
    return Card(
        technique=words.technique(regimen.technique),
        when=words.when(regimen),
        how_much=tuple(line for name in HOW_MUCH for line in fields.get(name, ())),
        steps=steps_of(words, regimen, devices.get(regimen.device or "")),
        regimen=regimen,
        overrides=tuple(one for one in programme.override if one.regimen == regimen.key),
        place=_place(words, regimen, copy),
        basis=words.basis(dose) if copy == "local-hospital" else None,
        alternatives=words.choice(others) if others else None,
        needs_adult=regimen.technique in _NEEDS_AN_ADULT,
    )


def _place(words: Words, regimen: Regimen, copy: Copy) -> str | None:
    """Where it is done; at home goes without saying, but not at school."""
    if not regimen.place or (copy == "family" and regimen.place == ("home",)):
        return None
    return words.choice(map(words.place, regimen.place))


def _is_for_school(regimen: Regimen) -> bool:
    return not regimen.place or "school" in regimen.place


def _through_the_day(programme: Programme, regimens: Iterable[Regimen]) -> list[Regimen]:
    """By the first clock time of each; what has none comes last, and as needed at the end."""
    routine = routine_of(programme.routine)

    def first(regimen: Regimen) -> tuple[bool, time]:
        schedule = regimen.schedule
        if schedule is None:
            return regimen.as_needed, _END_OF_DAY
        events = (clock for event in schedule.when for clock in routine[event])
        return regimen.as_needed, min([*schedule.time_of_day, *events], default=_END_OF_DAY)

    return sorted(regimens, key=first)


def _is_overdue(sheet: Sheet) -> bool:
    review = sheet.programme.review
    return review is not None and review.due < sheet.today
