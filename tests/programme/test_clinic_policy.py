"""A clinic's own policy takes the place of the defaults, part by part."""

from decimal import Decimal
from typing import Any

import pytest

from service.programme.checks import Policy
from service.programme.checks.clinic import PolicyError, policy_of


def test_nothing_written_keeps_every_default() -> None:
    assert policy_of({}) == Policy()


def test_what_is_written_replaces_its_part_alone() -> None:
    policy = policy_of(
        {
            "cautions": ["head-down"],
            "mouthpiece_minimum_age": {"opep": 6},
            "pressure_bands": {"pep": {"pressure": {"low": 8, "high": 18}}},
            "irritable_airways": [{"system": "https://clinic.example/problems", "code": "wheezy"}],
        }
    )
    assert policy.cautions == {"head-down"}
    assert policy.mouthpiece_minimum_age["opep"] == 6
    assert policy.mouthpiece_minimum_age["pep"] == Policy().mouthpiece_minimum_age["pep"]
    assert policy.pressure_bands["pep", "pressure"] == (Decimal(8), Decimal(18))
    assert policy.pressure_bands["opep", "pressure"] == (Decimal(10), Decimal(20))
    assert policy.irritable_airways == {("https://clinic.example/problems", "wheezy")}


@pytest.mark.parametrize(
    ("written", "told"),
    [
        ({"cautions": ["anything"]}, "anything is no caution"),
        ({"mouthpiece_minimum_age": {"whistling": 4}}, "whistling is no technique"),
        ({"mouthpiece_minimum_age": {"opep": -1}}, "mouthpiece_minimum_age.opep"),
        ({"pressure_bands": {"pep": {"force": {"low": 1, "high": 2}}}}, "force is no pressure"),
        ({"pressure_bands": {"pep": {"pressure": {"low": 1}}}}, "pressure_bands.pep.pressure.high"),
        ({"ages": {}}, "ages"),
    ],
)
def test_what_cannot_be_understood_is_named(written: dict[str, Any], told: str) -> None:
    with pytest.raises(PolicyError, match=told):
        policy_of(written)
