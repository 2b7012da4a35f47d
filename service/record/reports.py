"""Adherence as tables: the ledger that each figure sums, day by day; weeks; a group's figures."""

import csv
import io
from collections.abc import Iterable, Iterator, Mapping, Sequence
from datetime import date
from typing import Any

from service.fhir.json import JsonObject
from service.programme.adherence import Adherence, LedgerRow, Received
from service.programme.adherence.cohort import METHOD, GroupAdherence, GroupFigure
from service.programme.adherence.series import Week, weeks

_FORMULA = ("=", "+", "-", "@", "\t", "\r")

_COLUMNS = (
    "day",
    "line",
    "at",
    "regimen",
    "technique",
    "state",
    "outcome",
    "window_start",
    "window_end",
    "most",
    "dose_share",
    "logged",
    "session",
    "session_version",
    "recorded_by",
    "plan",
    "plan_version",
    "known_at",
    "rule_version",
    "zone_data",
)


_WEEK_COLUMNS = (
    "first",
    "last",
    "done",
    "due",
    "paused",
    "score",
    "low",
    "high",
    "reason",
    "due_days",
    "paused_days",
    "unlogged_days",
)
_FIGURE_COLUMNS = (
    "figure",
    "children",
    "scored",
    "numerator",
    "denominator",
    "paused",
    "mean_score",
    "low",
    "high",
    "reason",
    "method",
)


def ledger_csv(adherence: Adherence) -> str:
    """Comma-separated text with a heading, in the order of days.

    A line is ``due`` (an occurrence: done, open or paused) or ``received`` (a row from home that
    fulfilled nothing: extra, over, duplicate, not-done, doubtful, excluded). ``open`` does not
    say that it was not done, only that nothing tells of it. Times are on the child's clock.
    """
    return _csv(_COLUMNS, _lines(adherence))


def ledgers_csv(children: Iterable[tuple[JsonObject, Adherence]]) -> str:
    """The ledgers of several children, each line with whose it is."""
    lines = (
        {"child": child["reference"]} | line
        for child, adherence in children
        for line in _lines(adherence)
    )
    return _csv(("child", *_COLUMNS), lines)


def weeks_csv(adherence: Adherence) -> str:
    """The figure of sessions, a line a week."""
    return _csv(_WEEK_COLUMNS, map(_week_line, weeks(adherence)))


def figures_csv(group: GroupAdherence) -> str:
    """The figures of a group, a line each; the score is the mean of the children's scores."""
    return _csv(_FIGURE_COLUMNS, (_figure_line(*entry) for entry in group.figures.items()))


def _csv(columns: Sequence[str], lines: Iterable[Mapping[str, Any]]) -> str:
    text = io.StringIO()
    writer = csv.DictWriter(text, columns, lineterminator="\r\n")
    writer.writeheader()
    for line in lines:
        writer.writerow({name: _cell(value) for name, value in line.items()})
    return text.getvalue()


def _week_line(week: Week) -> dict[str, Any]:
    figure = week.figure
    return {
        "first": week.first.isoformat(),
        "last": week.last.isoformat(),
        "done": int(figure.numerator),
        "due": figure.denominator,
        "paused": figure.paused,
        "score": _number(figure.score),
        "low": _number(figure.low),
        "high": _number(figure.high),
        "reason": figure.reason,
        "due_days": week.due_days,
        "paused_days": week.paused_days,
        "unlogged_days": week.unlogged_days,
    }


def _figure_line(name: str, figure: GroupFigure) -> dict[str, Any]:
    return {
        "figure": name,
        "children": figure.children,
        "scored": figure.scored,
        "numerator": _number(float(figure.numerator)),
        "denominator": figure.denominator,
        "paused": figure.paused,
        "mean_score": _number(figure.score),
        "low": _number(figure.low),
        "high": _number(figure.high),
        "reason": figure.reason,
        "method": METHOD,
    }


def _number(value: float | None) -> str | None:
    return None if value is None else f"{value:.4f}"


def _lines(adherence: Adherence) -> list[dict[str, Any]]:
    rested_on = {
        "known_at": adherence.known_at.isoformat(),
        "rule_version": adherence.rule_version,
        "zone_data": adherence.zone_data,
    }
    lines: list[tuple[date, dict[str, Any]]] = [*_due(adherence), *_unmatched(adherence)]
    return [line | rested_on for _, line in sorted(lines, key=lambda entry: entry[0])]


def _due(adherence: Adherence) -> Iterator[tuple[date, dict[str, Any]]]:
    for row in adherence.ledger:
        yield row.day, _due_line(row)


def _due_line(row: LedgerRow) -> dict[str, Any]:
    line: dict[str, Any] = {
        "day": row.day.isoformat(),
        "line": "due",
        "at": row.at.isoformat(timespec="seconds"),
        "regimen": row.regimen,
        "technique": row.technique,
        "state": row.state,
        "outcome": row.status,
        "window_start": row.window_start.isoformat(timespec="seconds"),
        "window_end": row.window_end.isoformat(timespec="seconds"),
        "most": row.most,
        "dose_share": None if row.paused or row.share is None else _number(float(row.share)),
        "logged": "yes" if row.logged else "no",
        "plan": row.plan_id,
        "plan_version": row.plan_version,
    }
    if row.credit is not None:
        line |= {
            "session": row.credit.id,
            "session_version": row.credit.version,
            "recorded_by": row.credit.value.recorded_by,
        }
    return line


def _unmatched(adherence: Adherence) -> Iterator[tuple[date, dict[str, Any]]]:
    for row in adherence.received:
        if row.ending != "matched":
            yield row.day, _received_line(row)


def _received_line(row: Received) -> dict[str, Any]:
    session = row.session.value
    return {
        "day": row.day.isoformat(),
        "line": "received",
        "at": session.start.isoformat(timespec="seconds"),
        "regimen": session.regimen,
        "technique": session.technique,
        "outcome": f"{row.ending} during pause" if row.during_pause else row.ending,
        "session": row.session.id,
        "session_version": row.session.version,
        "recorded_by": session.recorded_by,
    }


def _cell(value: Any) -> Any:
    """Text that a spreadsheet would run as a formula is quoted by an apostrophe."""
    return f"'{value}" if isinstance(value, str) and value.startswith(_FORMULA) else value
