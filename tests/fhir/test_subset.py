"""Parts of a resource by _summary and _elements (R4 search.html#summary, #elements)."""

import importlib
from collections.abc import Iterator
from typing import Any

import pytest
from shared_data import shared

from service.fhir.json import read, write
from service.fhir.structure import type_facts
from service.fhir.subset import SUBSETTED, Subset, unknown_elements

SESSION = read(
    b"""{
  "resourceType": "Observation", "id": "o1",
  "meta": {"versionId": "3", "tag": [{"system": "https://clinic.example/tag", "code": "home"}]},
  "language": "en",
  "text": {"status": "generated", "div": "<div xmlns='http://www.w3.org/1999/xhtml'>7.50</div>"},
  "modifierExtension": [{"url": "https://clinic.example/not-for-use", "valueBoolean": true}],
  "identifier": [{"id": "i1", "system": "https://clinic.example/session", "value": "7"}],
  "status": "final",
  "code": {"text": "mask pressure"},
  "effectiveDateTime": "2031-03-09",
  "_effectiveDateTime": {"extension": [{"url": "https://clinic.example/clock", "valueCode": "a"}]},
  "valueQuantity": {"value": 7.50, "unit": "cm H2O"},
  "note": [{"text": "after breakfast"}],
  "component": [{"code": {"text": "rest"}, "valueQuantity": {"value": 0.10}, "interpretation": [{
    "text": "low"}]}]
}"""
)


def test_a_summary_has_what_the_standard_marks_and_what_cannot_be_left_out() -> None:
    found = Subset("true").of(SESSION)
    assert list(found) == [
        "resourceType",
        "id",
        "meta",
        "modifierExtension",
        "identifier",
        "status",
        "code",
        "effectiveDateTime",
        "_effectiveDateTime",
        "valueQuantity",
        "component",
    ]
    assert found["identifier"] == SESSION["identifier"]
    assert list(found["component"][0]) == ["code", "valueQuantity"], "also below the root"
    assert b'"value":7.50' in write(found), "with the digits that arrived"


def test_a_summary_of_text_has_the_text_and_what_is_mandatory() -> None:
    found = Subset("text").of(SESSION)
    assert list(found) == ["resourceType", "id", "meta", "text", "status", "code"]


def test_a_summary_of_data_leaves_out_the_text_only() -> None:
    found = Subset("data").of(SESSION)
    assert [name for name in SESSION if name not in found] == ["text"]


def test_named_elements_come_with_the_mandatory_ones_and_those_that_change_the_meaning() -> None:
    """implicitRules and modifierExtension change the meaning; status is both (R4 Observation)."""
    found = Subset(elements=frozenset({"value", "effective"})).of(SESSION)
    assert list(found) == [
        "resourceType",
        "id",
        "meta",
        "modifierExtension",
        "status",
        "code",
        "effectiveDateTime",
        "_effectiveDateTime",
        "valueQuantity",
    ]


@pytest.mark.parametrize(
    "subset", [Subset("true"), Subset("text"), Subset("data"), Subset(elements=frozenset({"note"}))]
)
def test_what_was_cut_says_so_once(subset: Subset) -> None:
    tags = subset.of(subset.of(SESSION))["meta"]["tag"]
    assert tags == [*SESSION["meta"]["tag"], SUBSETTED]
    assert SUBSETTED not in SESSION["meta"]["tag"], "what was given is not changed"


def test_what_is_whole_does_not() -> None:
    assert Subset().of(SESSION) is SESSION
    assert not Subset()


def test_a_name_that_no_resource_of_the_types_has_is_known_as_such() -> None:
    asked = ["value", "valueQuantity", "birthDate", "status"]
    assert unknown_elements(asked, ["Observation"]) == ["valueQuantity", "birthDate"]
    assert unknown_elements(asked, ["Observation", "Patient"]) == ["valueQuantity"]


TYPES = ("CarePlan", "Consent", "DeviceRequest", "Goal", "MeasureReport", "Observation", "Patient")


@pytest.mark.parametrize("type_", TYPES)
def test_summaries_name_the_same_elements_as_a_reference_library(type_: str) -> None:
    """Oracle: the summary elements that fhir.resources (R4B) lists for types that both share."""
    model: Any = getattr(importlib.import_module(f"fhir.resources.R4B.{type_.lower()}"), type_)
    facts = type_facts(type_)
    assert facts is not None
    theirs = {name for name in model.summary_elements_sequence() if name in facts.elements}
    everything = {"resourceType": type_} | dict.fromkeys(facts.elements, "x")
    ours = set(Subset("true").of(everything | {"meta": {}})) - {"resourceType"}
    extra = {name for name in ours - theirs if not _needed(type_, name)}
    assert (theirs - ours, extra) == (set(), set())


def _needed(type_: str, name: str) -> bool:
    facts = type_facts(type_)
    assert facts is not None
    return facts.elements[name].required or name == "modifierExtension"


def test_every_part_of_every_official_example_says_what_the_example_says() -> None:
    """Source: the examples of the FHIR R4 specification. Whatever a part has, the whole has."""
    for file in sorted(shared("conformance/examples").glob("*.json")):
        whole = read(file.read_bytes())
        if not isinstance(whole, dict) or "resourceType" not in whole:
            continue
        for summary in ("true", "text", "data"):
            part = Subset(summary).of(whole)
            assert set(_leaves(part | {"meta": {}})) <= set(_leaves(whole)), file.name
        assert Subset("data").of(whole).keys() | {"text"} >= whole.keys()


def _leaves(value: Any, path: str = "") -> Iterator[tuple[str, str]]:
    """Every value by the names that lead to it; places in lists do not change either."""
    if isinstance(value, dict):
        for name, part in value.items():
            yield from _leaves(part, f"{path}.{name}")
    elif isinstance(value, list):
        for number, part in enumerate(value):
            yield from _leaves(part, f"{path}[{number}]")
    else:
        yield path, write(value).decode()
