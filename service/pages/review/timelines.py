"""Charts over the weeks: adherence with its interval; sputum, tolerance and signs."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date

from service.pages.review.canvas import (
    LEFT,
    RIGHT,
    Axis,
    Canvas,
    dot,
    move,
    runs,
    upright,
)
from service.pages.review.speech import Speech
from service.pages.review.terms import AMOUNTS, SIGNS
from service.programme.adherence.days import Day
from service.programme.adherence.series import Week
from service.programme.course import SIGN_KINDS, CourseWeek, Sign, Spread
from service.words import mark

_PLOT = 96.0
_PANEL = 44.0
_GAP = 24.0
_SHARES = ((0.0, "0%"), (0.5, "50%"), (1.0, "100%"))

WEEKLY_LEGEND = (
    mark("share done, and its 95% interval"),
    mark("nobody logged in this week"),
    mark("nothing was due, or all was paused"),
)
SPREAD_LEGEND = mark("middle of the week's sessions; line: least to greatest")


@dataclass(frozen=True, slots=True)
class Frame:
    """What all charts over time share: days, and plans by the day on which each begins."""

    axis: Axis
    days: Sequence[Day]
    plans: Mapping[date, str]
    speech: Speech


def weekly(weeks: Sequence[Week], frame: Frame) -> Canvas:
    """The share done week by week."""
    canvas = Canvas(rtl=frame.speech.rtl)
    top, bottom = 14.0, 14.0 + _PLOT
    _grid(canvas, frame, top, bottom, _SHARES, lettered=True)
    dots, rings, spans, pauses = [], [], [], []
    radius = max(1.4, min(3.0, frame.axis.pitch * 2))
    for week in weeks:
        x, score = frame.axis.middle(week.first, week.last), week.figure.score
        if score is None or week.figure.low is None or week.figure.high is None:
            pauses.append(move(x - 1.5, bottom - 7, "v6m3 0v-6"))
        elif week.is_silent:
            rings.append(dot(x, bottom - score * _PLOT, radius))
        else:
            low, high = (bottom - end * _PLOT for end in (week.figure.low, week.figure.high))
            spans.append(upright(x, high, low, radius * 0.7))
            dots.append(dot(x, bottom - score * _PLOT, radius))
    canvas.line("".join(spans))
    canvas.filled("".join(dots))
    canvas.outlined("".join(rings))
    canvas.line("".join(pauses), 1.4)
    y = _time(canvas, frame, bottom)
    canvas.height = _weekly_legend(canvas, y + 8, frame.speech)
    return canvas


def _weekly_legend(canvas: Canvas, top: float, speech: Speech) -> float:
    canvas.line(upright(5, top - 1, top + 9, 2))
    canvas.filled(dot(5, top + 4, 2.6))
    canvas.outlined(dot(5, top + 18, 2.6))
    canvas.line(move(3.5, top + 29, "v6m3 0v-6"), 1.4)
    for words in WEEKLY_LEGEND:
        canvas.label(14, top + 7.5, speech.text(words))
        top += 14
    return top


@dataclass(frozen=True, slots=True)
class Panel:
    """One measure over the weeks: its title, its scale, and its value in a week."""

    title: str
    low: float
    high: float
    ticks: tuple[tuple[float, str], ...]
    value: Callable[[CourseWeek], Spread | None]


def panels(weeks: Sequence[CourseWeek], speech: Speech) -> tuple[Panel, ...]:
    """The measures that any session tells."""
    volumes = [week.volume.high for week in weeks if week.volume]
    oxygen = [week.oxygen.low for week in weeks if week.oxygen]
    most = _round_up(max(volumes, default=1.0))
    least = min(90.0, *(10 * (value // 10) for value in oxygen)) if oxygen else 90.0
    number, text = speech.number, speech.text
    amounts = tuple((float(at), text(word)) for at, word in enumerate(AMOUNTS.values()))
    found = (
        Panel(text("Sputum, mL a session"), 0, most, ((0, "0"), (most, number(most))),
              lambda week: week.volume),
        Panel(text("Sputum, as it looked"), 0, 4, (amounts[0], amounts[4]),
              lambda week: week.amount),
        Panel(text("Of the prescribed dose, in sessions that give a number"), 0, 1,
              ((0, "0%"), (1, "100%")), lambda week: week.share),
        Panel(text("Breathlessness, 0 to 10"), 0, 10, ((0, "0"), (10, "10")),
              lambda week: week.breathlessness),
        Panel(text("SpO2 where it was measured, %"), least, 100,
              ((least, number(least)), (100, "100")), lambda week: week.oxygen),
    )  # fmt: skip
    return tuple(panel for panel in found if any(panel.value(week) for week in weeks))


def over_time(weeks: Sequence[CourseWeek], signs: Sequence[Sign], frame: Frame) -> Canvas | None:
    """Panels one below the other over the same days; None where no session tells anything."""
    measured = panels(weeks, frame.speech)
    if not measured and not signs:
        return None
    canvas, top = Canvas(rtl=frame.speech.rtl), 0.0
    for panel in measured:
        _panel(canvas, frame, panel, weeks, top)
        top += _GAP + _PANEL
    if signs:
        top = _signs(canvas, frame, signs, top)
    top = _time(canvas, frame, top + 4) + 8
    canvas.height = _course_legend(canvas, top, frame.speech) if measured else top
    return canvas


def _panel(
    canvas: Canvas, frame: Frame, panel: Panel, weeks: Sequence[CourseWeek], top: float
) -> None:
    upper, lower = top + 17, top + 17 + _PANEL
    canvas.label(0, top + 10, panel.title, bold=True)
    scale = panel.high - panel.low
    ticks = [((value - panel.low) / scale, words) for value, words in panel.ticks]
    _grid(canvas, frame, upper, lower, ticks)
    dots, spans = [], []
    radius = max(1.2, min(2.4, frame.axis.pitch * 2))
    for week in weeks:
        told = panel.value(week)
        if told is None:
            continue
        x = frame.axis.middle(week.first, week.last)
        low, middle, high = (
            lower - (value - panel.low) / scale * _PANEL
            for value in (told.low, told.middle, told.high)
        )
        spans.append(upright(x, high, low))
        dots.append(dot(x, middle, radius))
    canvas.line("".join(spans), 0.9)
    canvas.filled("".join(dots))


def _signs(canvas: Canvas, frame: Frame, signs: Sequence[Sign], top: float) -> float:
    canvas.label(0, top + 10, frame.speech.text("Signs that a log names"), bold=True)
    top += 12
    for kind in SIGN_KINDS:
        days = [sign.day for sign in signs if sign.kind == kind and not sign.doubtful]
        if not days:
            continue
        canvas.label(0, top + 11, frame.speech.text(SIGNS[kind]))
        top += 21
        ticks = (move(frame.axis.middle(day, day), top - 7, "v7") for day in days)
        canvas.line("".join(ticks), 1.6)
        canvas.line(move(LEFT, top, f"H{RIGHT:.0f}"), 0.5)
    return top


def _course_legend(canvas: Canvas, top: float, speech: Speech) -> float:
    canvas.line(upright(5, top - 1, top + 9))
    canvas.filled(dot(5, top + 4, 2.2))
    canvas.label(14, top + 7.5, speech.text(SPREAD_LEGEND))
    return top + 16


def _grid(
    canvas: Canvas,
    frame: Frame,
    top: float,
    bottom: float,
    ticks: Sequence[tuple[float, str]],
    *,
    lettered: bool = False,
) -> None:
    """Lines at the ticks with their words, and where a plan begins."""
    height = bottom - top
    paths = "".join(move(LEFT, bottom - at * height, f"H{RIGHT:.0f}") for at, _ in ticks)
    canvas.line(paths, 0.5)
    for at, words in ticks:
        canvas.label(LEFT - 3, bottom - at * height + 3.2, words, "end", size=8.5)
    begins = []
    for day, letter in frame.plans.items():
        x = frame.axis.at(day)
        begins.append(upright(x, top - 3, bottom))
        if lettered:
            canvas.label(x, top - 5, letter, "middle", bold=True, size=8)
    canvas.line("".join(begins), 0.9, dashed=True)


def _time(canvas: Canvas, frame: Frame, y: float) -> float:
    """Months below the plot, and a bar where the child was unwell; returns where it ends."""
    spells = runs(day.day for day in frame.days if day.state == "unwell")
    bars = [
        move(frame.axis.at(first), y + 5.5, f"h{_width(frame.axis, first, last):.1f}")
        for first, last in spells
    ]
    canvas.line("".join(bars), 2.4)
    for x, month in frame.axis.months():
        canvas.line(move(x, y, "v3"), 0.8)
        canvas.label(x + 1, y + 17, frame.speech.month(month, with_year=False))
    if bars:
        canvas.label(0, y + 9, frame.speech.text("unwell"), size=8.5)
    return y + 20


def _width(axis: Axis, first: date, last: date) -> float:
    return ((last - first).days + 1) * axis.pitch


def _round_up(value: float) -> float:
    """A round number at or above."""
    for step in (1, 2, 5, 10, 20, 50, 100, 200, 500):
        if value <= step:
            return float(step)
    return float(-(-value // 100) * 100)
