"""From coded conditions to the condition group of a release."""

from typing import Any

import pytest
from registry_children import RULES
from shared_data import shared

from service.fhir.json import read
from service.registry.columns import Groups
from service.registry.conditions import condition_group, load_condition_groups
from service.resources import mappings_dir

_GROUPS = load_condition_groups(mappings_dir() / "registry" / "condition-groups.toml")
_SNOMED = "http://snomed.info/sct"


def _condition(*codes: str, **more: Any) -> dict[str, Any]:
    codings = [{"system": _SNOMED, "code": code} for code in codes]
    return {"resourceType": "Condition", "code": {"coding": codings, "text": "words"}, **more}


@pytest.mark.parametrize(
    ("conditions", "group"),
    [
        ([_condition("190905008")], "cystic-fibrosis"),
        ([_condition("12295008")], "bronchiectasis"),
        ([_condition("12295008"), _condition("190905008")], "cystic-fibrosis"),
        ([_condition("76670001")], "neuromuscular"),
        ([_condition("195967001")], "asthma"),
        ([_condition("195967001", "5262007")], "neuromuscular"),
        ([_condition("404684003")], "other"),
        ([{"resourceType": "Condition", "code": {"text": "Cystic fibrosis"}}], "other"),
        ([], "other"),
    ],
)
def test_a_cause_wins_and_words_alone_are_other(
    conditions: list[dict[str, Any]], group: str
) -> None:
    assert condition_group(conditions, _GROUPS) == group


@pytest.mark.parametrize(
    ("element", "status"),
    [
        ("verificationStatus", "refuted"),
        ("verificationStatus", "entered-in-error"),
        ("clinicalStatus", "resolved"),
        ("clinicalStatus", "inactive"),
        ("clinicalStatus", "remission"),
    ],
)
def test_a_condition_that_is_not_so_does_not_count(element: str, status: str) -> None:
    not_so = _condition("190905008", **{element: {"coding": [{"code": status}]}})
    assert condition_group([not_so], _GROUPS) == "other"


def test_a_condition_with_an_unknown_modifier_does_not_count() -> None:
    bent = _condition("190905008", modifierExtension=[{"url": "https://example.org/family"}])
    assert condition_group([bent], _GROUPS) == "other"


def test_every_group_is_one_that_the_release_knows() -> None:
    (column,) = (column for column in RULES.column if column.name == "condition_group")
    assert isinstance(column, Groups)
    assert {*_GROUPS.values(), "other"} == set(column.levels[0])


def test_every_snomed_code_has_been_verified() -> None:
    """The codes and their status: the project's list of codes with public evidence for each."""
    codes = read(shared("facts/codes.json").read_bytes())["codes"]
    verified = {
        code["code"] for code in codes if code["system"] == _SNOMED and code["status"] == "verified"
    }
    used = {coding.split("|")[1] for coding in _GROUPS if coding.startswith(_SNOMED)}
    assert used <= verified
