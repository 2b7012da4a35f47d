"""Schedules: the constraints of the R4 data type Timing, and what an expansion cannot do."""

import json
from decimal import Decimal
from typing import Any

import pytest
from shared_data import shared
from timings import schedule_json
from trade_examples import programme

from service.programme.checks import check_programme


def _found(schedule: dict[str, Any]) -> set[tuple[str, str]]:
    raw = programme()
    raw["regimen"] = raw["regimen"][:1]
    raw["regimen"][0]["schedule"] = schedule
    at = "Programme.regimen[0].schedule."
    return {(p.path.removeprefix(at), p.key) for p in check_programme(raw).problems}


DAILY = {"frequency": 2, "period": 1, "periodUnit": "d"}

WEEK = {"value": 1, "unit": "wk"}

WRONG: list[tuple[dict[str, Any], str, str]] = [
    # The constraints tim-1 to tim-10 of HL7 FHIR R4 (there is no tim-3), one by one.
    (DAILY | {"duration": 20}, "durationUnit", "schedule-duration-unit"),
    ({"frequency": 2, "period": 1}, "periodUnit", "schedule-period-unit"),
    (DAILY | {"duration": -20, "durationUnit": "min"}, "duration", "impossible-number"),
    (DAILY | {"period": -1}, "period", "impossible-number"),
    ({"periodMax": 2, "periodUnit": "d"}, "period", "schedule-period-range"),
    (DAILY | {"durationMax": 9, "durationUnit": "min"}, "duration", "schedule-duration-range"),
    (DAILY | {"countMax": 9}, "count", "schedule-count-range"),
    ({"timeOfDay": ["08:00"], "offset": 30}, "when", "schedule-offset"),
    ({"when": ["CM"], "offset": 30}, "offset", "schedule-offset"),
    ({"when": ["MORN"], "timeOfDay": ["08:00"]}, "timeOfDay", "schedule-time-or-event"),
    # What the standard allows but nobody can follow.
    (DAILY | {"frequencyMax": 1}, "frequencyMax", "schedule-range"),
    ({"frequency": 2}, "period", "schedule-frequency-of-what"),
    ({"frequency": 9, "period": 1, "periodUnit": "min"}, "period", "schedule-too-often"),
    (DAILY | {"period": 0}, "period", "schedule-too-often"),
    (DAILY | {"timeOfDay": ["08:00"]}, "frequency", "schedule-times-and-frequency"),
    (DAILY | {"duration": 1, "durationUnit": "mo"}, "durationUnit", "schedule-length"),
    (
        DAILY | {"boundsDuration": {"value": Decimal("1.5"), "unit": "mo"}},
        "boundsDuration.value",
        "schedule-length",
    ),
    (
        DAILY | {"bounds": {"start": "2031-05-02", "end": "2031-05-01"}},
        "bounds.end",
        "end-before-start",
    ),
    (
        DAILY | {"bounds": {}, "boundsDuration": {"value": 6, "unit": "wk"}},
        "",
        "",
    ),
    (
        DAILY | {"bounds": {"start": "2031-05-02"}, "boundsDuration": {"value": 6, "unit": "wk"}},
        "boundsDuration",
        "schedule-two-bounds",
    ),
    (
        DAILY | {"boundsDuration": WEEK, "boundsRange": {"low": WEEK}},
        "boundsRange",
        "schedule-two-bounds",
    ),
    (
        DAILY | {"boundsRange": {"low": {"value": 8, "unit": "d"}, "high": WEEK}},
        "boundsRange.high.value",
        "schedule-range",
    ),
    (
        DAILY | {"boundsRange": {"low": {"value": Decimal("0.5"), "unit": "a"}}},
        "boundsRange.low.value",
        "schedule-length",
    ),
]


@pytest.mark.parametrize(("schedule", "name", "key"), WRONG)
def test_what_no_schedule_can_say(schedule: dict[str, Any], name: str, key: str) -> None:
    assert _found(schedule) == ({(name, key)} if key else set())


def test_cleaning_has_a_schedule_too() -> None:
    raw = programme()
    raw["device"][0]["care"] = [
        {"task": "clean", "method": "soap and water", "schedule": {"frequency": 1, "period": 1}}
    ]
    assert [(p.path, p.key) for p in check_programme(raw).problems] == [
        ("Programme.device[0].care[0].schedule.periodUnit", "schedule-period-unit")
    ]


def test_published_wrong_timings_are_refused() -> None:
    """Negative cases to the Timing tables of the R4 data types page."""
    cases = json.loads(shared("conformance/timing/timing-cases.json").read_text())
    for case in cases["invalid"]:
        schedule = schedule_json(case["timing"])
        assert _found(schedule), case["id"]


def test_published_timings_are_accepted() -> None:
    cases = json.loads(shared("conformance/timing/timing-cases.json").read_text())
    for case in cases["valid"]:
        schedule = schedule_json(case["timing"])
        # An event of ours is a session at an instant; a day alone is not one.
        if schedule and case["id"] != "x-events":
            assert not _found(schedule), case["id"]


@pytest.mark.parametrize(
    ("schedule", "name"),
    [
        ({"period": Decimal("1E+900"), "periodUnit": "d"}, "period"),
        ({"period": 1, "periodMax": 10**9, "periodUnit": "s"}, ""),
        ({"period": 1, "periodMax": 10**12, "periodUnit": "s"}, "periodMax"),
        (
            DAILY | {"boundsDuration": {"value": 10**7, "unit": "wk"}},
            "boundsDuration.value",
        ),
        (
            DAILY | {"boundsDuration": {"value": Decimal("1E+900"), "unit": "mo"}},
            "boundsDuration.value",
        ),
    ],
)
def test_nothing_lasts_longer_than_a_life(schedule: dict[str, Any], name: str) -> None:
    found = {where for where, key in _found(schedule) if key == "impossible-number"}
    assert found == ({name} if name else set())
