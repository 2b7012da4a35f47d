"""Numbers and dates that cannot be meant.

The limits are ours and generous: a value beyond them is a slip of the pen or of the unit, never
a prescription. What is unusual but possible is a caution, not a limit.
"""

from collections.abc import Iterator
from datetime import date, datetime
from decimal import Decimal
from functools import cache

from service.programme.base import Band, Document, Ratio
from service.programme.checks.problems import Problem, refused
from service.programme.checks.view import View, values_of
from service.programme.dose import BuildUp, Dose, DrainagePosition, Phase, Stroke
from service.programme.log import Blood, Session, Sputum
from service.programme.plan import MedicineOrder
from service.programme.schedule import Schedule

_BREATH_SECONDS = (0, 60)
_SESSION_MINUTES = (1, 480)
_COUNTED = (1, 200)

_LIMITS: dict[type[Document], dict[str, tuple[int, int]]] = {
    Dose: {
        "cycles": _COUNTED,
        "breaths": _COUNTED,
        "breathsPerSet": _COUNTED,
        "sets": _COUNTED,
        "blocks": _COUNTED,
        "huffs": (0, 50),
        "coughs": (0, 50),
        "hold": _BREATH_SECONDS,
        "outBreath": _BREATH_SECONDS,
        "pause": _BREATH_SECONDS,
        "rest": (0, 1800),
        "minutes": _SESSION_MINUTES,
        "blockMinutes": _SESSION_MINUTES,
        "garmentPressure": (0, 500),
    },
    BuildUp: {"start": _COUNTED, "step": _COUNTED, "everyDays": (1, 366)},
    Phase: {"breaths": _COUNTED, "seconds": (0, 1800), "hold": _BREATH_SECONDS, "huffs": (0, 50)},
    DrainagePosition: {"minutes": _SESSION_MINUTES},
    Stroke: {"pressure": (-150, 150), "seconds": _BREATH_SECONDS},
    Ratio: {"breathIn": (1, 20), "breathOut": (1, 20)},
    MedicineOrder: {"minutes": (0, 1440)},
    Schedule: {
        "frequency": (1, 1000),
        "frequencyMax": (1, 1000),
        "count": (1, 10_000),
        "countMax": (1, 10_000),
        "offset": (0, 1440),
    },
    Session: {
        "minutes": (0, 1440),
        "cycles": (0, 1000),
        "breaths": (0, 1000),
        "huffs": (0, 1000),
        "sets": (0, 1000),
        "setting": (-1000, 1000),
        "pressure": (0, 150),
        "frequency": (0, 60),
        "spo2": (0, 100),
        "breathlessness": (0, 10),
    },
    Sputum: {"volume": (0, 2000)},
    Blood: {"volume": (0, 5000)},
}

_POSITIVE_BANDS = {"pressure": 150, "frequency": 60}
"""Bands of a dose that lie above zero, and the most they can reach."""

_FIRST_YEAR, _LAST_YEAR = 1900, 2200


def impossible_values(view: View) -> Iterator[Problem]:
    """Every number and date in the document, or inside it, that is beyond its limits."""
    for part in view.everything():
        limits = _LIMITS.get(part.model, {})
        for name in _judged(part.model):
            value = part.value(name)
            if name in limits and isinstance(value, int | Decimal):
                yield from _number(part, name, value, *limits[name])
            elif isinstance(value, date) and not _FIRST_YEAR <= value.year <= _LAST_YEAR:
                expected = f"a year from {_FIRST_YEAR} to {_LAST_YEAR}"
                yield refused(part.at(name), "impossible-date", part.raw[name], expected)
        if part.model is Band:
            yield from _band(part)


@cache
def _judged(model: type[Document]) -> tuple[str, ...]:
    """Fields with a limit of their own, and those that may hold a date: no others need be read."""
    limits = _LIMITS.get(model, {})
    return tuple(
        name for name, types in values_of(model) if name in limits or types & {date, datetime}
    )


def _number(part: View, name: str, value: int | Decimal, low: int, high: int) -> Iterator[Problem]:
    if not low <= value <= high:
        expected = f"between {low} and {high}"
        yield refused(part.at(name), "impossible-number", part.raw[name], expected)


def _band(band: View) -> Iterator[Problem]:
    low, high = band.value("low"), band.value("high")
    if low is not None and high is not None and low > high:
        yield refused(band.at("low"), "band-upside-down", band.raw["low"], "at most the high end")
    most = _POSITIVE_BANDS.get(band.path.rpartition(".")[2])
    if most is None:
        return
    for name, value in band.values():
        if not 0 < value <= most:
            expected = f"above 0 and up to {most}"
            yield refused(band.at(name), "impossible-number", band.raw[name], expected)
