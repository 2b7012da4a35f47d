"""The published JSON Schemas say what the documents say (checked with ``jsonschema``)."""

from typing import Any

import pytest
from jsonschema import Draft202012Validator
from trade_examples import CHILD, programme, session

from service.programme.schemas import (
    health_state_schema,
    pause_schema,
    programme_schema,
    session_schema,
    technique_review_schema,
)


@pytest.mark.parametrize(
    "schema",
    [
        programme_schema(),
        session_schema(),
        health_state_schema(),
        pause_schema(),
        technique_review_schema(),
    ],
)
def test_each_is_a_schema(schema: dict[str, Any]) -> None:
    Draft202012Validator.check_schema(schema)


def test_good_documents_conform() -> None:
    Draft202012Validator(programme_schema()).validate(programme())
    Draft202012Validator(session_schema()).validate(session())
    state = {"source": "diary", "child": CHILD, "state": "well", "start": "2031-03-04"}
    Draft202012Validator(health_state_schema()).validate(state)


@pytest.mark.parametrize(
    "wrong",
    [
        programme(screen={"answer": {"nausea": "perhaps"}}),
        programme(colour="blue"),
        programme(regimen=[]),
        programme(timeZone=[{"zone": ""}]),
        programme(status="paused"),
        programme(dayBoundary="4 o'clock"),
    ],
)
def test_wrong_shapes_do_not(wrong: dict[str, Any]) -> None:
    assert not Draft202012Validator(programme_schema()).is_valid(wrong)
