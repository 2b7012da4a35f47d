"""A child's review as a page, and its charts as one drawing of their own."""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

from service.pages.rendering import rendered
from service.pages.review import terms
from service.pages.review.canvas import WIDTH, Axis, Canvas
from service.pages.review.speech import Speech
from service.pages.review.strip import strip
from service.pages.review.tables import Tables
from service.pages.review.timelines import Frame, over_time, weekly
from service.programme.adherence.change import Change, changes
from service.programme.adherence.result import PlanUsed
from service.programme.adherence.series import Week, weeks
from service.programme.adherence.trend import Trend, trend
from service.programme.appointment import Appointment
from service.programme.course import CourseWeek, Sign, course, signs
from service.words import Words


@dataclass(frozen=True, slots=True)
class LetteredPlan:
    """A plan that was in force within what was asked, and its letter in the charts."""

    letter: str
    used: PlanUsed
    reason: str | None


class Picture:
    """An appointment with everything that is drawn or tabled, worked out once."""

    def __init__(self, appointment: Appointment, words: Words) -> None:
        self.appointment = appointment
        self.speech = Speech(words)
        self.weeks: Sequence[Week] = weeks(appointment.answer)
        self.trend: Trend | None = trend(self.weeks)
        self.changes: Sequence[Change] = changes(appointment.answer)
        self.course: Sequence[CourseWeek] = course(appointment.answer, self.weeks)
        self.signs: Sequence[Sign] = signs(appointment.answer)

    @cached_property
    def plans(self) -> Sequence[LetteredPlan]:
        documents = self.appointment.plans
        return [
            LetteredPlan(_letter(number), used, documents[used.id].change_reason)
            for number, used in enumerate(self.appointment.answer.plans)
        ]

    @cached_property
    def frame(self) -> Frame:
        answer = self.appointment.answer
        axis = Axis(answer.first, answer.last)
        begins = {one.used.first: one.letter for one in self.plans}
        return Frame(axis, self.appointment.days, begins, self.speech)

    @cached_property
    def strip(self) -> Canvas:
        named = {sign.day for sign in self.signs if not sign.doubtful}
        return strip(self.frame.days, self.frame.plans, named, self.speech)

    @cached_property
    def weekly(self) -> Canvas:
        return weekly(self.weeks, self.frame)

    @cached_property
    def over_time(self) -> Canvas | None:
        return over_time(self.course, self.signs, self.frame)

    def titles(self) -> dict[str, tuple[str, str]]:
        """Of each chart its title, and its description: what the table beside it says in full."""
        text = self.speech.text
        return {
            "strip": (text("Day by day"), self._days_in_words()),
            "weekly": (text("Week by week"), self._weeks_in_words()),
            "course": (
                text("Sputum, tolerance and signs"),
                text("Over the same days, from sessions that say so. The table has each week."),
            ),
        }

    def _days_in_words(self) -> str:
        days = self.appointment.days
        count = {kind: sum(day.kind == kind for day in days) for kind in _TOLD_KINDS}
        return self.speech.text(
            "{all} days: everything due done on {done}, part on {part}, a log but nothing due done "
            "on {open}, nobody logged on {unlogged}, paused on {paused}. The table has each day.",
            all=len(days),
            **count,
        )

    def _weeks_in_words(self) -> str:
        scores = [week.figure.score for week in self.weeks if week.figure.score is not None]
        if not scores:
            return self.speech.text("No week has a figure.")
        share = self.speech.share
        return self.speech.text(
            "Sessions done of those due in each of {n} weeks, from {low} to {high}. The table has "
            "each week.",
            n=len(scores), low=share(min(scores)), high=share(max(scores)),
        )  # fmt: skip


MOST_SIGNS = 20
"""So many are told in words, the newest; the chart has all."""
_TOLD_KINDS = ("done", "part", "open", "unlogged", "paused")


def review_html(appointment: Appointment, words: Words) -> str:
    """The page. It judges nothing, and says what is missing as missing."""
    return rendered("review.html", words, **page_values(appointment, words))


def page_values(appointment: Appointment, words: Words) -> dict[str, object]:
    """What the template is given."""
    picture = Picture(appointment, words)
    titles = picture.titles()
    course = picture.over_time
    return {
        "seen": appointment,
        "answer": appointment.answer,
        "plan": appointment.plan.value if appointment.plan else None,
        "speech": picture.speech,
        "picture": picture,
        "tables": Tables(picture.speech),
        "figure_names": terms.FIGURES,
        "reasons": terms.REASONS,
        "states": terms.STATES,
        "methods": terms.METHODS,
        "severities": terms.SEVERITIES,
        "endings": terms.ENDINGS,
        "most_signs": MOST_SIGNS,
        "strip": picture.strip.svg("strip", *titles["strip"]),
        "weekly": picture.weekly.svg("weekly", *titles["weekly"]),
        "course": course.svg("course", *titles["course"]) if course else None,
    }


def chart_svg(appointment: Appointment, words: Words) -> str:
    """The charts one below the other as one SVG that needs nothing else."""
    picture = Picture(appointment, words)
    titles, canvas = picture.titles(), Canvas(rtl=picture.speech.rtl)
    name = appointment.child.name.text if appointment.child.name else ""
    heading = picture.speech.text("Airway clearance at home")
    _headed(canvas, [name, heading, *_when(picture)])
    parts = {"strip": picture.strip, "weekly": picture.weekly, "course": picture.over_time}
    for part, drawn in parts.items():
        if drawn is not None:
            canvas.label(0, canvas.height + 14, titles[part][0], bold=True, size=12)
            canvas.place(drawn, canvas.height + 22)
            canvas.height += drawn.height + 30
    told = " ".join(titles[part][1] for part in parts if parts[part] is not None)
    return str(canvas.svg("review", " ".join(filter(None, (name, heading))), told, alone=True))


_BROADEST = 0.75
"""Of a bold letter's width to its size, about: a long name is written smaller, not cut."""


def _headed(canvas: Canvas, lines: Sequence[str]) -> None:
    for number, line in enumerate(filter(None, lines)):
        canvas.height += 15
        size = min(12.0 if number == 0 else 10.0, WIDTH / (len(line) * _BROADEST))
        canvas.label(0, canvas.height, line, bold=number == 0, size=size)
    canvas.height += 4


def _when(picture: Picture) -> list[str]:
    answer, speech = picture.appointment.answer, picture.speech
    return [
        speech.text("{first} to {last}", first=answer.first, last=answer.last),
        speech.text("As known at {moment}", moment=answer.known_at),
    ]


def _letter(number: int) -> str:
    """A to Z, then A2 and so on."""
    letter = chr(ord("A") + number % 26)
    return letter if number < 26 else f"{letter}{number // 26 + 1}"
