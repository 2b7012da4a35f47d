"""The trade's cases as they are kept beside the project: what is sent, and what must come of it."""

import json
from dataclasses import dataclass

import pytest
from shared_data import shared


@dataclass(frozen=True, slots=True)
class Case:
    number: str
    area: str
    input: str
    right_result: str


def cases_of(area: str) -> list[str]:
    """The numbers of an area's cases, by the letter of the area."""
    return [one.number for one in _cases() if one.area.startswith(f"{area}.")]


def case(number: str) -> Case:
    """One case; skips the test where the file has none of this number."""
    found = [one for one in _cases() if one.number == number]
    if not found:
        pytest.skip(f"case {number} is not in the case file")
    return found[0]


def _cases() -> list[Case]:
    told = json.loads(shared("cases.json").read_text(encoding="utf-8"))
    return [Case(one["id"], one["area"], one["input"], one["right_result"]) for one in told]
