"""What a clinician reads when a document is refused: one plain sentence for each problem."""

from typing import Any

import pytest
import trade_examples

from service.programme.checks import check_programme
from service.record.problems import OVERRIDE, problem_of


def _told(raw: Any) -> dict[str, str]:
    found = [problem_of(problem) for problem in check_programme(raw).problems]
    return {finding.expression: finding.diagnostics for finding in found}


def _with(place: tuple[str | int, ...], value: object) -> Any:
    raw: Any = trade_examples.programme()
    holder = raw
    for step in place[:-1]:
        holder = holder[step]
    holder[place[-1]] = value
    return raw


@pytest.mark.parametrize(
    ("place", "value", "told"),
    [
        (
            ("regimen", 0, "dose", "breaths"),
            "ten",
            'the value cannot be read: a whole number is expected, found "ten"',
        ),
        (
            ("child", "birthDate"),
            "2022-02-30",
            "the value cannot be read: a year, a month or a date (2019, 2019-07, 2019-07-15) is "
            'expected, found "2022-02-30"',
        ),
        (
            ("dayBoundary",),
            "25:00",
            'the value cannot be read: a clock time such as 07:30 is expected, found "25:00"',
        ),
        (
            ("regimen", 0, "asNeeded"),
            "no",
            'the value cannot be read: true or false is expected, found "no"',
        ),
        (
            ("regimen", 0, "key"),
            " opep",
            "the value cannot be read: text with single spaces, none at its ends is expected, "
            'found " opep"',
        ),
        (
            ("timeZone",),
            [],
            "this is required: at least one entry is expected, found nothing",
        ),
        (
            ("regimen", 1, "dose"),
            {"basis": "minutes"},
            "the dose does not say what it must: minutes or blockMinutes or drainage, because the "
            "dose is compared by it is expected, found nothing",
        ),
        (
            ("regimen", 1, "dose"),
            [{"basis": "minutes", "minutes": 20}],
            "the value has the wrong kind: an object is expected, found an array",
        ),
    ],
)
def test_one_fault_is_told_once(place: tuple[str | int, ...], value: object, told: str) -> None:
    assert list(_told(_with(place, value)).values()) == [told]


def test_a_caution_tells_what_raised_it() -> None:
    raw = _with(("regimen", 0, "dose", "pressure"), {"low": 10, "high": 60})
    raw["child"]["birthDate"] = "2029-06"
    assert _told(raw) == {
        "Programme.regimen[0].technique": "A mouthpiece for a child below the minimum age: a child "
        f'of 4 years or more is expected, found "a child of 1". {OVERRIDE}',
        "Programme.regimen[0].dose.pressure": "A pressure outside the usual band of the technique: "
        f'10 to 20 cm[H2O] is expected, found "10 to 60". {OVERRIDE}',
    }
