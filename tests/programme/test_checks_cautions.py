"""Cautions: refused without an override by name and reason, accepted with one."""

from decimal import Decimal
from typing import Any

import pytest
from trade_examples import programme

from service.programme.base import Coded
from service.programme.checks import KnownChild, Policy, check_programme

ASTHMA = {"text": "asthma", "system": "http://snomed.info/sct", "code": "195967001"}


def _with(regimen: dict[str, Any], **changes: Any) -> dict[str, Any]:
    raw = programme(**changes)
    raw["regimen"][0] |= regimen
    return raw


def _toddler() -> dict[str, Any]:
    raw = programme()
    raw["child"]["birthDate"] = "2028-05"
    return raw


def _dose(**parts: Any) -> dict[str, Any]:
    return {"dose": {"cycles": 6, "breaths": 10, **parts}}


RAISED: list[tuple[dict[str, Any], str, str]] = [
    (_toddler(), "technique", "mouthpiece-under-age"),
    (
        programme(diagnosis=[{"condition": ASTHMA}]),
        "technique",
        "oscillation-irritable-airways",
    ),
    (
        _with({"position": [{"position": "supine", "use": "allowed"}]}),
        "position[0].position",
        "supine-with-mouthpiece",
    ),
    (
        _with({"position": [{"position": "head-down", "use": "advised"}]}),
        "position[0].position",
        "head-down",
    ),
    (
        _with(_dose(pressure={"low": Decimal("10"), "high": Decimal("25")})),
        "dose.pressure",
        "pressure-outside-band",
    ),
]


@pytest.mark.parametrize(("raw", "path", "key"), RAISED, ids=[key for *_, key in RAISED])
def test_a_caution_refuses_until_somebody_answers_for_it(
    raw: dict[str, Any], path: str, key: str
) -> None:
    checked = check_programme(raw)
    assert checked.value is None
    assert [(p.path, p.kind, p.key) for p in checked.problems] == [
        (f"Programme.regimen[0].{path}", "caution", key)
    ]
    answered = {
        "caution": key,
        "regimen": "opep",
        "author": "Sam Sample",
        "reason": "seen in clinic",
    }
    accepted = check_programme(raw | {"override": [answered]})
    assert accepted.problems == ()
    assert [problem.key for problem in accepted.accepted] == [key]
    assert accepted.value is not None
    assert accepted.value.override[0].reason == "seen in clinic"


@pytest.mark.parametrize(
    ("override", "left"),
    [
        ({"regimen": "drainage"}, {"head-down"}),
        ({"caution": "supine-with-mouthpiece"}, {"head-down"}),
        ({"reason": " "}, {"head-down", "wrong-value"}),
        ({"regimen": "nothing"}, {"head-down", "unknown-override"}),
        ({"caution": "whatever"}, {"head-down", "unknown-override"}),
    ],
)
def test_an_override_answers_only_for_what_it_names(
    override: dict[str, Any], left: set[str]
) -> None:
    raw = _with({"position": [{"position": "head-down", "use": "allowed"}]})
    good = {"caution": "head-down", "regimen": "opep", "author": "Sam", "reason": "reflux treated"}
    raw["override"] = [good | override]
    assert {problem.key for problem in check_programme(raw).problems} == left


def test_positions_to_be_avoided_raise_nothing() -> None:
    raw = _with({"position": [{"position": "head-down", "use": "avoid"}]})
    assert check_programme(raw).problems == ()


def test_a_mask_needs_no_lips() -> None:
    """PEP by mask is done with infants; by mouthpiece, or without a word of it, it is not."""
    raw = _toddler()
    raw["regimen"] = [raw["regimen"][0] | {"technique": "pep", **_dose()}]
    del raw["regimen"][0]["device"]
    assert [p.key for p in check_programme(raw).problems] == ["mouthpiece-under-age"]
    raw["regimen"][0]["dose"]["interface"] = {"kind": "mask", "size": "2"}
    assert check_programme(raw).problems == ()


def test_insufflation_and_exsufflation_have_bands_of_their_own() -> None:
    """Seen in children: +10 to +50 and -10 to -60 cm[H2O] (doi 10.1016/j.prrv.2017.08.003)."""
    dose = {
        "insufflation": {"pressure": 55, "seconds": 2},
        "exsufflation": {"pressure": -60, "seconds": 2},
        "breathsPerSet": 5,
        "sets": 4,
    }
    raw = programme()
    raw["regimen"] = [{"key": "m", "technique": "mi-e", "healthState": "any", "dose": dose}]
    assert [p.path for p in check_programme(raw).problems] == [
        "Programme.regimen[0].dose.insufflation"
    ]
    dose["insufflation"]["pressure"] = 50
    assert check_programme(raw).problems == ()


def test_what_the_record_knows_of_the_child_counts() -> None:
    raw = programme(child={"reference": "Patient/17"}, diagnosis=[])
    assert check_programme(raw).problems == ()
    known = KnownChild(birth_date="2029", diagnosis=(Coded.model_validate(ASTHMA),))
    keys = {problem.key for problem in check_programme(raw, known=known).problems}
    assert keys == {"mouthpiece-under-age", "oscillation-irritable-airways"}


def test_words_are_no_finding() -> None:
    raw = programme(diagnosis=[{"condition": {"text": "asthma"}}], note=["wheezy, asthma?"])
    assert check_programme(raw).problems == ()


def test_the_clinic_owns_the_thresholds() -> None:
    raw = _toddler()
    assert check_programme(raw, policy=Policy(mouthpiece_minimum_age={"opep": 2})).problems == ()
    assert check_programme(raw, policy=Policy(cautions=frozenset())).problems == ()
