"""A small drawing surface: SVG elements in black and white, everything escaped."""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from datetime import date, timedelta
from functools import lru_cache

from markupsafe import Markup, escape

from service.words import END_ISOLATE

WIDTH = 344.0
"""Of every chart, in its own units: a phone of 375 pixels shows it as it is."""
LEFT, RIGHT = 52.0, 340.0
"""Between them the days of a chart over time lie."""
SMALL = 9.5
_FONTS = "DejaVu Sans, Noto Sans, Noto Sans Arabic, sans-serif"
_MARGIN = 10.0
"""Around a drawing that is a file of its own."""
_RIGHT_TO_LEFT = "\u2067"
"""Unicode RIGHT-TO-LEFT ISOLATE."""
_A_DAY = timedelta(days=1)


@dataclass(slots=True)
class Canvas:
    """Collects elements; y grows downwards. ``height`` is set by whoever draws.

    ``rtl``: words are written from right to left; the drawing itself is not mirrored.
    """

    height: float = 0.0
    rtl: bool = False
    parts: list[str] = field(default_factory=list)

    def label(
        self, x: float, y: float, words: str, anchor: str = "start", *, bold: bool = False,
        size: float = SMALL,
    ) -> None:  # fmt: skip
        weight = ' font-weight="700"' if bold else ""
        where = f'x="{_n(x)}" y="{_n(y)}" text-anchor="{anchor}" font-size="{_n(size)}"'
        if self.rtl:
            words = f"{_RIGHT_TO_LEFT}{words}{END_ISOLATE}"
        self.parts.append(f'<text {where}{weight} fill="#000" stroke="none">{escape(words)}</text>')

    def filled(self, path: str) -> None:
        if path:
            self.parts.append(f'<path d="{path}" fill="#000" stroke="none"/>')

    def line(self, path: str, width: float = 1.0, *, dashed: bool = False) -> None:
        if path:
            dashes = ' stroke-dasharray="3 2"' if dashed else ""
            self.parts.append(f'<path d="{path}" stroke-width="{_n(width)}"{dashes}/>')

    def outlined(self, path: str) -> None:
        """Lines with white inside."""
        if path:
            self.parts.append(f'<path d="{path}" fill="#fff"/>')

    def place(self, other: "Canvas", y: float) -> None:
        """Another drawing on this one, ``y`` below its top."""
        self.parts.append(f'<g transform="translate(0 {_n(y)})">{"".join(other.parts)}</g>')

    def svg(self, name: str, title: str, description: str, *, alone: bool = False) -> Markup:
        """The whole drawing. ``name`` makes its ids; ``alone``: as a file, not within a page."""
        margin = _MARGIN if alone else 0.0
        width, height = _n(WIDTH + 2 * margin), _n(self.height + 2 * margin)
        box = f"{_n(-margin)} {_n(-margin)} {width} {height}"
        own, ground = "", ""
        if alone:
            own = f' width="{width}" height="{height}" font-family="{_FONTS}"'
            place = f'x="{_n(-margin)}" y="{_n(-margin)}" width="{width}" height="{height}"'
            ground = f'<rect {place} fill="#fff" stroke="none"/>'
        return Markup(  # noqa: S704  (texts are escaped where they come in)
            f'<svg xmlns="http://www.w3.org/2000/svg" class="chart" role="img"{own} '
            f'viewBox="{box}" direction="ltr" fill="none" stroke="#000" stroke-linejoin="round" '
            f'aria-labelledby="{name}-t {name}-d"><title id="{name}-t">{escape(title)}</title>'
            f'<desc id="{name}-d">{escape(description)}</desc>{ground}'
            f"{''.join(self.parts)}</svg>"
        )


@dataclass(frozen=True, slots=True)
class Axis:
    """Days from left to right."""

    first: date
    last: date

    @property
    def pitch(self) -> float:
        """The width of a day."""
        return (RIGHT - LEFT) / ((self.last - self.first).days + 1)

    def at(self, day: date) -> float:
        """Where a day begins; days outside lie at the ends."""
        days = min(max((day - self.first).days, 0), (self.last - self.first).days + 1)
        return LEFT + days * self.pitch

    def middle(self, first: date, last: date) -> float:
        """Half-way through a stretch of days."""
        return (self.at(first) + self.at(last + _A_DAY)) / 2

    def months(self, most: int = 8) -> Iterator[tuple[float, date]]:
        """Beginnings of months; every so many of them that at most ``most`` are told."""
        starts = [day for day in months_between(self.first, self.last) if day >= self.first]
        step = -(-len(starts) // most) or 1
        return ((self.at(day), day) for day in starts[::step])


def months_between(first: date, last: date) -> list[date]:
    """The first day of each month that has any of the days."""
    found = [first.replace(day=1)]
    while (after := (found[-1] + 31 * _A_DAY).replace(day=1)) <= last:
        found.append(after)
    return found


def move(x: float, y: float, rest: str = "") -> str:
    """A path that begins at a place."""
    return f"M{_n(x)} {_n(y)}{rest}"


def dot(x: float, y: float, radius: float) -> str:
    """A round dot as a path."""
    r, across = _n(radius), _n(2 * radius)
    start = f"M{_n(x - radius)} {_n(y)}"
    return f"{start}a{r} {r} 0 1 0 {across} 0a{r} {r} 0 1 0 -{across} 0z"


def upright(x: float, top: float, bottom: float, cap: float = 0.0) -> str:
    """A vertical line, with caps where asked."""
    path = f"M{_n(x)} {_n(top)}V{_n(bottom)}"
    if cap:
        ends = (f"M{_n(x - cap)} {_n(y)}h{_n(2 * cap)}" for y in (top, bottom))
        path += "".join(ends)
    return path


def runs(days: Iterable[date]) -> Iterator[tuple[date, date]]:
    """Days in order as stretches without a gap."""
    begin: date | None = None
    end: date | None = None
    for day in days:
        if begin is not None and end is not None and day == end + _A_DAY:
            end = day
            continue
        if begin is not None and end is not None:
            yield begin, end
        begin = end = day
    if begin is not None and end is not None:
        yield begin, end


@lru_cache(maxsize=4096)
def _n(number: float) -> str:
    """At most one decimal, and no minus before nothing."""
    return f"{round(number, 1) + 0:g}"
