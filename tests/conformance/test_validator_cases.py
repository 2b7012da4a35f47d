"""Official validator cases: the verdict of every run whose definitions are at hand.

Source: FHIR/fhir-test-cases (Apache-2.0), read from the reference data beside the checkout. No
valid instance is refused. Every run that is judged otherwise is listed here with its reason.
"""

import json as reference
from functools import cache
from typing import Any

import pytest
from shared_data import shared

from service.fhir import json
from service.fhir.definitions import Definitions
from service.fhir.outcome import has_errors
from service.fhir.validation import Validator

AT_LEAST = {"base-only": 0.97, "core-profile": 0.97, "profile": 0.92, "questionnaire": 0.90}
"""Share of right verdicts asked for, by tier."""

OTHERWISE = {
    "type-ref-checked#profile": "the same instance and profile as type-ref-unchecked, told apart by"
    " an option of the suite; right with rest_references",
    "mycommunication.invalid#profile": "the same option; right with rest_references",
    "open-choice-gender-coding-async-qr": "a wrong display text; displays are not carried",
}
"""Invalid runs that are accepted, with the reason."""


@cache
def rows() -> list[dict[str, Any]]:
    found: list[dict[str, Any]] = reference.loads(
        shared("conformance/validator-cases/index.json").read_text("utf-8")
    )
    return [row for row in found if row["tier"] in AT_LEAST]


@cache
def accepted(name: str, rest: bool = False) -> bool:
    row = next(row for row in rows() if row["name"] == name)
    definitions = Definitions()
    for file in row.get("supporting", []):
        definitions.add(json.read(shared(f"conformance/validator-cases/{file}").read_bytes()))
    text = shared(f"conformance/validator-cases/{row['file']}").read_bytes()
    asked = [row["profile"]] if row.get("profile") else []
    try:
        resource = json.read(text)
    except json.JsonError:
        return False
    return not has_errors(Validator(definitions, rest_references=rest).validate(resource, asked))


def test_no_valid_instance_is_refused() -> None:
    assert [row["name"] for row in rows() if row["valid"] and not accepted(row["name"])] == []


def test_what_is_judged_otherwise_is_known() -> None:
    wrong = {row["name"] for row in rows() if accepted(row["name"]) != row["valid"]}
    assert wrong == OTHERWISE.keys()


@pytest.mark.parametrize("tier", AT_LEAST)
def test_share_of_right_verdicts(tier: str) -> None:
    verdicts = [accepted(row["name"]) == row["valid"] for row in rows() if row["tier"] == tier]
    assert sum(verdicts) / len(verdicts) >= AT_LEAST[tier]


@pytest.mark.parametrize("name", ["type-ref-checked#profile", "mycommunication.invalid#profile"])
def test_the_types_that_references_state_count_on_a_server(name: str) -> None:
    assert not accepted(name, rest=True)
    assert accepted("mycommunication.valid.example#profile", rest=True)
