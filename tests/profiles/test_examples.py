"""Examples of each profile: what passes, and what fails for one named reason and no other."""

from collections import Counter

import fhirpathpy
import pytest
from fhirpathpy.models import models
from profile_files import (
    BASE_TOO,
    FAILING,
    PASSING,
    accepted_by_others,
    definitions,
    load,
    must_fail,
    our_validator,
)
from serious import serious
from shared_data import shared

from service.fhir.json import read

PROFILES = {
    structure["url"]: structure["id"]
    for structure in definitions("structuredefinitions").values()
    if structure["type"] != "Extension"
}
NOT_EVALUATED = {"ele-1"}
"""fhirpathpy cannot evaluate it (hasValue on a node without a type); our base check covers it."""


@pytest.fixture(scope="module")
def validator():
    return our_validator()


@pytest.mark.parametrize("file", PASSING, ids=lambda file: file.stem)
def test_passes_without_any_finding(validator, file):
    findings = validator.validate(read(file.read_bytes()))
    assert serious(findings) == []


def test_every_profile_can_be_applied(validator):
    assert validator.refused == {}


@pytest.mark.parametrize("row", must_fail(), ids=lambda row: row["file"])
def test_fails_for_the_named_reason_alone(validator, row):
    example = read((FAILING / row["file"]).read_bytes())
    findings = validator.validate(example, [row["profile"]])
    failing = serious(findings)
    ours = [found for found in failing if found.profile is not None]
    assert [(found.key, found.expression) for found in ours] == [(row["key"], row["expression"])]
    too = BASE_TOO.get(row["file"], BASE_TOO.get(row["key"]))
    assert {found.key for found in failing} == {row["key"], too} - {None}


def test_every_file_that_must_fail_is_in_the_index_once():
    listed = [row["file"] for row in must_fail()]
    assert Counter(listed) == Counter(
        file.name for file in FAILING.iterdir() if file.name != "index.json"
    )
    assert all(row["words"] for row in must_fail())


def test_every_profile_has_several_examples_each_way(validator):
    failing = Counter(PROFILES[row["profile"]] for row in must_fail())
    passing: Counter[str] = Counter()
    for rule in load(FAILING.parent.parent / "rules.json"):
        profile = PROFILES[rule["profile"]]
        passing[profile] += sum(_applies(rule, load(file)) for file in PASSING)
    assert set(failing) == set(passing) == set(PROFILES.values())
    assert min(passing.values()) >= 2
    assert min(failing.values()) >= 3


def _applies(rule, resource):
    if resource["resourceType"] != rule["resourceType"]:
        return False
    values = [resource]
    for step in rule["path"].split("."):
        parts = [value[step] for value in values if step in value]
        values = [p for part in parts for p in (part if isinstance(part, list) else [part])]
    wanted = {name: rule[name] for name in ("system", "code") if name in rule}
    if "startsWith" in rule:
        return any(value.startswith(rule["startsWith"]) for value in values)
    return any(wanted.items() <= value.items() for value in values)


def test_every_constraint_is_broken_by_an_example():
    broken = {row["key"] for row in must_fail()}
    for structure in definitions("structuredefinitions").values():
        for element in structure["differential"]["element"]:
            assert {c["key"] for c in element.get("constraint", [])} <= broken, element["id"]


@pytest.mark.parametrize("file", PASSING, ids=lambda file: file.stem)
def test_good_example_parses_with_an_independent_model(file):
    accepted_by_others(load(file))


@pytest.mark.parametrize("file", PASSING, ids=lambda file: file.stem)
def test_good_example_holds_the_constraints_of_the_base_standard(file):
    """Constraints of hl7.fhir.r4.core 4.0.1, evaluated by fhirpathpy."""
    base = load(shared("conformance/r4-structure.json"))
    resource = load(file)
    evaluated = 0
    for element in base["types"][resource["resourceType"]]["elements"]:
        for key in element.get("invariants", []):
            invariant = base["invariants"][key]
            if invariant["severity"] != "error" or key in NOT_EVALUATED:
                continue
            place = element["path"].removesuffix("[x]")
            expression = f"{place}.all({invariant['expression']})"
            context = {"resource": resource, "rootResource": resource}
            result = fhirpathpy.evaluate(resource, expression, context, models["r4"])
            assert result == [True], (key, place)
            evaluated += 1
    assert evaluated


@pytest.mark.parametrize("row", must_fail(), ids=lambda row: row["file"])
def test_the_fault_is_one_that_the_base_standard_allows(row):
    """So that it is our profile that finds it: the R4B models of fhir.resources accept it."""
    accepted_by_others(load(FAILING / row["file"]))
