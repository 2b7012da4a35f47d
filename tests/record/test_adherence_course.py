"""Weeks, trend and changes of plan in a MeasureReport say what the pure functions say."""

from typing import Any

import histories

from service.fhir.outcome import has_errors
from service.fhir.validation import Validator
from service.mapping.reports import individual_report
from service.programme.adherence.change import changes
from service.programme.adherence.series import weeks
from service.programme.adherence.trend import trend

CHILD = {"reference": "Patient/one"}
RISING = [done for week in range(10) for done in [min(2, week // 3)] * 5 + [week % 2, 1]]


def _parts(extension: Any) -> dict[str, Any]:
    found: dict[str, Any] = {}
    for part in extension["extension"]:
        values = [value for name, value in part.items() if name.startswith("value")]
        found[part["url"]] = values[0] if values else _parts(part)
    return found


def _named(element: Any, name: str) -> list[dict[str, Any]]:
    every = element.get("extension", [])
    return [_parts(one) for one in every if one["url"].endswith(f"/{name}")]


def test_ten_weeks_with_a_change_of_plan(validator: Validator) -> None:
    plans = [histories.plan(), histories.plan(histories.regimen(3), start="2031-06-12")]
    done = histories.sessions_on("2031-05-05", RISING)
    answer = histories.ask(histories.history(plans, done), "2031-05-05", "2031-07-13")
    report = individual_report("sessions", answer, CHILD)
    assert not has_errors(validator.validate(report)), validator.validate(report)
    found = trend(weeks(answer))
    assert found is not None
    (told,) = _named(report["group"][0], "adherence-trend")
    assert (told["direction"], told["weeks"], told["test"]) == ("rising", 10, found.test)
    assert round(float(told["p"]), 4) == round(found.p, 4)
    assert round(float(told["slope-per-week"]), 4) == round(found.slope_per_week, 4)
    (change,), (sides,) = changes(answer), _named(report, "plan-change")
    for name, side in (("before", change.before), ("after", change.after)):
        assert sides[name]["numerator"] == side.figure.numerator
        assert sides[name]["denominator"] == side.figure.denominator
        assert sides[name]["period"]["start"] == side.first.isoformat()
    assert change.difference is not None
    assert round(float(sides["difference"]), 4) == round(change.difference, 4)
    strata = report["group"][0]["stratifier"][-1]["stratum"]
    assert [one["value"]["text"] for one in strata] == [
        f"{week.first}/{week.last}" for week in weeks(answer)
    ]


def test_no_word_of_change_says_why() -> None:
    """What is told beside a change of plan sets two times side by side and names no cause."""
    plans = [histories.plan(), histories.plan(start="2031-05-20")]
    answer = histories.ask(histories.history(plans), "2031-05-05", "2031-06-13")
    (told,) = _named(individual_report("sessions", answer, CHILD), "plan-change")
    words = f" {told['note'].lower()} {told['method'].lower()} "
    for causal in (" because", "effect", "improve", "due to", "led to", "result", "caused"):
        assert causal not in words


def test_a_short_time_has_no_trend(validator: Validator) -> None:
    answer = histories.ask(histories.history([histories.plan()]), "2031-05-05", "2031-06-08")
    report = individual_report("sessions", answer, CHILD)
    assert not has_errors(validator.validate(report))
    assert _named(report["group"][0], "adherence-trend") == []
