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
            "safety": {
                "recent_days": 14,
                "thresholds": {"blood-more": {"millilitres": 10}, "unwell-beyond": {"days": 4}},
            },
        }
    )
    assert policy.cautions == {"head-down"}
    assert policy.mouthpiece_minimum_age["opep"] == 6
    assert policy.mouthpiece_minimum_age["pep"] == Policy().mouthpiece_minimum_age["pep"]
    assert policy.pressure_bands["pep", "pressure"] == (Decimal(8), Decimal(18))
    assert policy.pressure_bands["opep", "pressure"] == (Decimal(10), Decimal(20))
    assert policy.irritable_airways == {("https://clinic.example/problems", "wheezy")}
    assert policy.safety.recent_days == 14
    assert policy.safety.number("blood-more", "millilitres") == 10
    assert policy.safety.number("oxygen-low", "percent") == 90
    assert policy.safety.rules == Policy().safety.rules
    assert policy.safety.number("unwell-beyond", "days") == 4


def test_a_clinic_names_the_safety_rules_that_it_wants() -> None:
    policy = policy_of({"safety": {"rules": ["chest-pain", "sputum-darker"]}})
    assert policy.safety.rules == {"chest-pain", "sputum-darker"}


def test_precautions_are_turned_on_off_and_given_their_diagnoses() -> None:
    wheezy = {"system": "https://clinic.example/problems", "code": "wheezy"}
    policy = policy_of(
        {
            "require_screen": True,
            "precautions": {"rib-fracture": "blocking", "nausea": "note", "nosebleed": "off"},
            "minimum_age": {"hfcwo": 3},
            "says_precaution": {"bronchospasm": [wheezy]},
        }
    )
    assert policy.require_screen
    assert policy.precautions == {
        "rib-fracture": "blocking", "nausea": "note", "nosebleed": "off",
    }  # fmt: skip
    assert policy.minimum_age == {"hfcwo": 3}
    assert policy.says_precaution["bronchospasm"] == {(wheezy["system"], "wheezy")}
    assert policy.says_precaution["reflux"] == Policy().says_precaution["reflux"]


@pytest.mark.parametrize(
    ("written", "told"),
    [
        ({"precautions": {"owns-a-dog": "note"}}, "owns-a-dog is no precaution"),
        ({"precautions": {"nausea": "on"}}, "precautions.nausea"),
        ({"minimum_age": {"whistling": 4}}, "whistling is no technique"),
        ({"says_precaution": {"wheeze": []}}, "wheeze is no precaution"),
        ({"cautions": ["anything"]}, "anything is no caution"),
        ({"mouthpiece_minimum_age": {"whistling": 4}}, "whistling is no technique"),
        ({"mouthpiece_minimum_age": {"opep": -1}}, "mouthpiece_minimum_age.opep"),
        ({"pressure_bands": {"pep": {"force": {"low": 1, "high": 2}}}}, "force is no pressure"),
        ({"pressure_bands": {"pep": {"pressure": {"low": 1}}}}, "pressure_bands.pep.pressure.high"),
        ({"ages": {}}, "ages"),
        ({"safety": {"rules": ["anything"]}}, "anything is no safety rule"),
        ({"safety": {"thresholds": {"anything": {}}}}, "anything is no safety rule"),
        ({"safety": {"thresholds": {"oxygen-low": {"mL": 5}}}}, "mL is no threshold of oxygen-low"),
        ({"safety": {"thresholds": {"blood-repeated": {"days": 1.5}}}}, "a whole number"),
        ({"safety": {"thresholds": {"oxygen-low": {"percent": -1}}}}, "safety.thresholds"),
        ({"safety": {"recent_days": 0}}, "safety.recent_days"),
    ],
)
def test_what_cannot_be_understood_is_named(written: dict[str, Any], told: str) -> None:
    with pytest.raises(PolicyError, match=told):
        policy_of(written)
