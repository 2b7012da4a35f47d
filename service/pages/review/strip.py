"""The calendar strip: a row for each month, a sign for each day."""

from collections.abc import Callable, Container, Mapping, Sequence
from datetime import date

from service.pages.review.canvas import RIGHT, WIDTH, Canvas, dot, months_between, move
from service.pages.review.speech import Speech
from service.programme.adherence.days import Day, DayKind
from service.words import mark

_LEFT = 45.0
_PITCH = (RIGHT - _LEFT) / 31
_CELL = 7.6
_ROW = 22.0
_TOP = 24.0
_NUMBERED = (1, 5, 10, 15, 20, 25, 30)


def _square(x: float, y: float) -> str:
    return move(x, y, f"h{_CELL}v{_CELL}h-{_CELL}z")


def _half(x: float, y: float) -> str:
    return move(x, y + _CELL, f"h{_CELL}v-{_CELL}z")


def _ring(x: float, y: float) -> str:
    return dot(x + _CELL / 2, y + _CELL / 2, 1.7)


def _bars(x: float, y: float) -> str:
    return move(x + 2.3, y + 0.6, "v6.4m3 0v-6.4")


def _dash(x: float, y: float) -> str:
    return move(x + 2.2, y + _CELL / 2, "h3.2")


def _cross(x: float, y: float) -> str:
    return move(x + _CELL / 2, y + 1.4, "v4.8m-2.4-2.4h4.8")


Shape = Callable[[float, float], str]
Corner = Callable[[date], tuple[float, float]]
"""From a day to the upper left corner of its cell."""
_OUTLINES: Mapping[DayKind, Shape] = {"part": _square, "open": _square, "unlogged": _ring}
_FILLS: Mapping[DayKind, Shape] = {"done": _square, "part": _half}
_LINES: Mapping[DayKind, Shape] = {"paused": _bars, "not-due": _dash}

LEGEND: Mapping[DayKind, str] = {
    "done": mark("everything due was done"),
    "part": mark("part of it was done"),
    "open": mark("a log, but nothing due was done"),
    "unlogged": mark("due, and nobody logged"),
    "paused": mark("paused: nothing is due"),
    "not-due": mark("nothing due"),
}
"""What each sign means, in the order of the legend."""
DONE_UNASKED = mark("done though nothing was due")
UNWELL = mark("unwell")
NEW_PLAN = mark("a plan begins (A, B, ...)")
SIGN = mark("a log names a sign, see below")


def strip(
    days: Sequence[Day], plans: Mapping[date, str], signs: Container[date], speech: Speech
) -> Canvas:
    """``plans``: by the day on which a plan begins, its letter. ``signs``: days with any."""
    canvas = Canvas(rtl=speech.rtl)
    months = months_between(days[0].day, days[-1].day)
    row_of = {(month.year, month.month): number for number, month in enumerate(months)}
    for number in _NUMBERED:
        x = _LEFT + (number - 1) * _PITCH + _CELL / 2
        canvas.label(x, 10, speech.number(number), "middle")
    for month in months:
        y = _TOP + row_of[month.year, month.month] * _ROW + _CELL
        with_year = month == months[0] or month.month == 1
        canvas.label(0, y, speech.month(month, with_year=with_year))

    def corner(day: date) -> tuple[float, float]:
        row = row_of[day.year, day.month]
        return _LEFT + (day.day - 1) * _PITCH, _TOP + row * _ROW

    _cells(canvas, days, corner)
    _above(canvas, plans, [day.day for day in days if day.day in signs], corner)
    canvas.height = _legend(canvas, _TOP + len(months) * _ROW + 6, speech)
    return canvas


def _cells(canvas: Canvas, days: Sequence[Day], corner: Corner) -> None:
    outlines, fills, lines, unwell = [], [], [], []
    for day in days:
        x, y = corner(day.day)
        if shape := _OUTLINES.get(day.kind):
            outlines.append(shape(x, y))
        if shape := _FILLS.get(day.kind):
            fills.append(shape(x, y))
        if shape := _LINES.get(day.kind):
            lines.append(_cross(x, y) if day.sessions else shape(x, y))
        if day.state == "unwell":
            unwell.append(move(x - 1, y + _CELL + 2.6, f"h{_PITCH:.1f}"))
    canvas.outlined("".join(outlines))
    canvas.filled("".join(fills))
    canvas.line("".join(lines), 1.4)
    canvas.line("".join(unwell), 2.2)


def _above(
    canvas: Canvas, plans: Mapping[date, str], signs: Sequence[date], corner: Corner
) -> None:
    """Where plans begin, and the days of signs."""
    for day, letter in plans.items():
        x, y = corner(day)
        canvas.line(move(x - 1.1, y - 8, "v18"), 1.2)
        canvas.label(x + 0.6, y - 1.6, letter, bold=True, size=8)
    for day in signs:
        x, y = corner(day)
        canvas.label(x + (_CELL if day in plans else _CELL / 2), y - 1.4, "!", "middle", bold=True)


def _legend(canvas: Canvas, top: float, speech: Speech) -> float:
    entries: list[tuple[str, Callable[[float, float], None]]] = [
        (speech.text(words), _sign(canvas, kind)) for kind, words in LEGEND.items()
    ]
    entries.append((speech.text(DONE_UNASKED), lambda x, y: canvas.line(_cross(x, y), 1.4)))
    entries.append(
        (speech.text(UNWELL), lambda x, y: canvas.line(move(x - 1, y + 5.5, "h9.9"), 2.2))
    )
    entries.append(
        (speech.text(NEW_PLAN), lambda x, y: canvas.line(move(x + 3, y - 2, "v11"), 1.2))
    )
    entries.append(
        (speech.text(SIGN), lambda x, y: canvas.label(x + 4, y + _CELL, "!", "middle", bold=True))
    )
    for number, (words, draw) in enumerate(entries):
        x, y = (number % 2) * WIDTH / 2, top + (number // 2) * 14
        draw(x, y)
        canvas.label(x + 13, y + _CELL, words)
    return top + -(-len(entries) // 2) * 14 + 2


def _sign(canvas: Canvas, kind: DayKind) -> Callable[[float, float], None]:
    def draw(x: float, y: float) -> None:
        if shape := _OUTLINES.get(kind):
            canvas.outlined(shape(x, y))
        if shape := _FILLS.get(kind):
            canvas.filled(shape(x, y))
        if shape := _LINES.get(kind):
            canvas.line(shape(x, y), 1.4)

    return draw
