"""The gate lets every session pass that any rule finds something in when it comes in."""

from decimal import Decimal
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from safety_family import session

from service.fhir.json import write
from service.mapping.logs import session_to_observation
from service.programme.adherence import History, Known
from service.programme.log import Session
from service.programme.safety import DEFAULT_POLICY, RULES, assess
from service.record.safety.gate import Gate

GATE = Gate(DEFAULT_POLICY)


def _passes(**says: Any) -> bool:
    document = Session.model_validate(session(1, **says))
    observation = session_to_observation(document, subject="Patient/c", id="s")
    found = GATE.patient(write(observation))
    assert found in (None, "c")
    return found is not None


@pytest.mark.parametrize(
    ("says", "passes"),
    [
        ({}, False),
        ({"blood": {"seen": "none"}}, False),
        ({"blood": {"seen": "streaks"}}, True),
        ({"blood": {"seen": "more-than-streaks"}}, True),
        ({"blood": {"seen": "none", "volume": 3}}, True),
        ({"chestPain": False, "faint": False}, False),
        ({"chestPain": True}, True),
        ({"faint": True}, True),
        ({"stoppedEarly": "tired"}, True),
        ({"spo2": Decimal("95.01")}, False),
        ({"spo2": Decimal("95.0")}, True),
        ({"breathlessness": 2}, False),
        ({"breathlessness": 3}, True),
        ({"position": "upright"}, False),
        ({"position": "supine"}, True),
    ],
)
def test_what_passes(says: dict[str, Any], passes: bool) -> None:
    assert _passes(**says) == passes


_SAYS = st.fixed_dictionaries(
    {},
    optional={
        "blood": st.fixed_dictionaries(
            {"seen": st.sampled_from(["none", "streaks", "more-than-streaks"])},
            optional={"volume": st.decimals(0, 300, places=2)},
        ),
        "spo2": st.decimals(80, 100, places=3),
        "breathlessness": st.integers(0, 10),
        "chestPain": st.booleans(),
        "faint": st.booleans(),
        "stoppedEarly": st.just("tired"),
        "position": st.sampled_from(["upright", "supine"]),
    },
)


@given(_SAYS)
def test_nothing_that_is_found_in_one_session_escapes(says: dict[str, Any]) -> None:
    document = Session.model_validate(session(1, **says))
    well = [
        Session.model_validate(session(10 + day, day, spo2=100, breathlessness=0))
        for day in range(10, 20)
    ]
    logs = [Known(str(k), 1, one.start, one) for k, one in enumerate([document, *well])]
    found = assess(History(sessions=logs), now=document.start)
    if any(RULES[one.rule].looks_at == "session" for one in found):
        assert _passes(**says)


def test_other_observations_do_not_pass() -> None:
    text = write({"resourceType": "Observation", "note": [{"text": "streaks"}]})
    assert GATE.patient(text) is None
    assert GATE.patient(b'{"resourceType":"Observation","note":"streaks\\"","n":1e400}') is None
