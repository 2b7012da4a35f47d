"""The course of a figure in its MeasureReport: weeks, trend, changes of plan, clocks in doubt."""

from collections.abc import Iterator, Mapping, Sequence
from typing import Final

from service.fhir.json import JsonObject
from service.mapping.canonical import code_system
from service.mapping.report_parts import (
    concept,
    days,
    decimal,
    extension,
    instant,
    populations,
    score_of,
)
from service.programme.adherence import Adherence
from service.programme.adherence.change import METHOD, Change, Side, changes
from service.programme.adherence.series import Week
from service.programme.adherence.trend import Direction, trend

_DIRECTIONS: Final[Mapping[Direction, str]] = {
    "rising": "rising",
    "falling": "falling",
    "no trend shown": "none-shown",
}
_TREND_NOTE = (
    "The weeks of one child are not independent, so p is rather too small; that no trend is shown "
    "does not say that there is none. Weeks without any log are left out."
)
_CHANGE_NOTE = (
    "Two times set beside each other: what was asked changed as well, and so may have much else. "
    "The sessions of one child are not independent; read the interval as a rough guide."
)


def weekly(weeks: Sequence[Week]) -> JsonObject:
    """A stratifier with a stratum for each week; its value is the week's first and last day."""
    split = concept(code_system("airway-adherence-split"), "week")
    return {"code": [split], "stratum": [_stratum(week) for week in weeks]}


def _stratum(week: Week) -> JsonObject:
    coverage = extension(
        "log-coverage",
        {"url": "observed-days", "valueUnsignedInt": week.due_days - week.unlogged_days},
        {"url": "unlogged-days", "valueUnsignedInt": week.unlogged_days},
        {"url": "paused-days", "valueUnsignedInt": week.paused_days},
    )
    return {
        "extension": [coverage],
        "value": {"text": f"{week.first}/{week.last}"},
        "population": list(populations("sessions", week.figure)),
        "measureScore": score_of("sessions", week.figure),
    }


def trends(weeks: Sequence[Week]) -> list[JsonObject]:
    """The extension of the group that tells the trend; none where there are too few weeks."""
    found = trend(weeks)
    if found is None:
        return []
    return [
        extension(
            "adherence-trend",
            {"url": "test", "valueString": found.test},
            {"url": "weeks", "valueUnsignedInt": found.weeks},
            {"url": "silent-weeks", "valueUnsignedInt": found.silent_weeks},
            {"url": "tau", "valueDecimal": decimal(found.tau)},
            {"url": "p", "valueDecimal": decimal(found.p)},
            {"url": "slope-per-week", "valueDecimal": decimal(found.slope_per_week)},
            {"url": "direction", "valueCode": _DIRECTIONS[found.direction]},
            {"url": "note", "valueString": _TREND_NOTE},
        )
    ]


def plan_changes(adherence: Adherence) -> Iterator[JsonObject]:
    """An extension for each change of plan."""
    for change in changes(adherence):
        sides = (_side("before", change.before), _side("after", change.after))
        note = {"url": "note", "valueString": _CHANGE_NOTE}
        yield extension("plan-change", *sides, *_difference(change), note)


def _side(name: str, side: Side) -> JsonObject:
    figure = side.figure
    plan = f"CarePlan/{side.plan.id}/_history/{side.plan.version}"
    parts: list[JsonObject] = [
        {"url": "plan", "valueReference": {"reference": plan}},
        {"url": "period", "valuePeriod": days(side.first, side.last)},
        {"url": "numerator", "valueUnsignedInt": int(figure.numerator)},
        {"url": "denominator", "valueUnsignedInt": figure.denominator},
    ]
    if figure.score is not None:
        parts.append({"url": "score", "valueDecimal": decimal(figure.score)})
    return {"url": name, "extension": parts}


def _difference(change: Change) -> Iterator[JsonObject]:
    if change.difference is None or change.low is None or change.high is None:
        return
    yield {"url": "difference", "valueDecimal": decimal(change.difference)}
    yield {"url": "low", "valueDecimal": decimal(change.low)}
    yield {"url": "high", "valueDecimal": decimal(change.high)}
    yield {"url": "method", "valueString": METHOD}


def clock_doubts(adherence: Adherence) -> Iterator[JsonObject]:
    """An extension for each row whose clock was wrong or is in doubt."""
    for row in adherence.received:
        session = row.session
        if session.value.clock is not None:
            reference = f"Observation/{session.id}/_history/{session.version}"
            yield extension(
                "clock-doubt",
                {"url": "session", "valueReference": {"reference": reference}},
                {"url": "clock", "valueCode": session.value.clock},
                {"url": "start", "valueDateTime": instant(session.value.start)},
            )
