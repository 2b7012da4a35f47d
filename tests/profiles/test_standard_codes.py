"""Codes that claim SNOMED CT, LOINC or UCUM are verified ones, wherever the project writes them."""

import csv
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from profile_files import load, objects
from shared_data import shared

import service
from service.programme.catalogue import TECHNIQUES
from service.resources import mappings_dir, profiles_dir

SNOMED, LOINC, UCUM = "http://snomed.info/sct", "http://loinc.org", "http://unitsofmeasure.org"
CLAIMED = (SNOMED, LOINC, UCUM)
SHORT = {"snomed": SNOMED, "loinc": LOINC, "ucum": UCUM}
_SHORT_CODING = re.compile(r"\b(snomed|loinc|ucum)\|([^\s,|\"']+)")
_QUOTED_SNOMED = re.compile(r"[\"']([1-9]\d{2,14}[01]0\d)[\"']")
"""A concept identifier: partition 00 or 10 before its check digit (SNOMED CT release format 2)."""
_QUOTED_LOINC = re.compile(r"[\"'](\d{1,5}-\d)[\"']")

Coding = tuple[str, str]


@pytest.fixture(scope="module")
def verified() -> set[Coding]:
    listed = load(shared("facts/codes.json"))["codes"]
    return {
        (row["system"], code)
        for row in listed
        if row["status"] == "verified" and row.get("code")
        for code in (row["code"] if isinstance(row["code"], list) else [row["code"]])
    }


def json_codings(value: Any) -> Iterator[Coding]:
    """Codings, quantities, value set includes and concept map groups in a JSON value."""
    for part in objects(value):
        system = part.get("system")
        if system in CLAIMED:
            if "code" in part:
                yield system, part["code"]
            yield from ((system, concept["code"]) for concept in part.get("concept", []))
        if part.get("target") in CLAIMED:
            for element in part["element"]:
                for target in element.get("target", []):
                    if "code" in target:
                        yield part["target"], target["code"]


def table_codings(file: Path) -> Iterator[Coding]:
    """Codings and units in a mapping table."""
    with file.open(encoding="utf-8", newline="") as text:
        for row in csv.DictReader(text):
            for cell in row.values():
                for name, code in _SHORT_CODING.findall(cell or ""):
                    yield SHORT[name], code
            if row.get("converter") == "quantity":
                yield UCUM, row["map"]


def source_codings(text: str) -> Iterator[Coding]:
    """Quoted texts in our Python that look like a SNOMED CT or LOINC code."""
    yield from ((SNOMED, code) for code in _QUOTED_SNOMED.findall(text))
    yield from ((LOINC, code) for code in _QUOTED_LOINC.findall(text))


def unverified(found: Iterator[Coding], verified: set[Coding]) -> set[Coding]:
    return set(found) - verified


def test_profiles_and_examples(verified):
    for file in sorted(profiles_dir().rglob("*.json")):
        assert not unverified(json_codings(load(file)), verified), file.name


def test_mapping_tables_and_concept_maps(verified):
    for file in sorted(mappings_dir().rglob("*.json")):
        assert not unverified(json_codings(load(file)), verified), file.name
    for file in sorted(mappings_dir().rglob("*.csv")):
        assert not unverified(table_codings(file), verified), file.name


def test_python(verified):
    package = Path(service.__file__).parent
    for file in sorted(package.rglob("*.py")):
        assert not unverified(source_codings(file.read_text("utf-8")), verified), file.name


def test_units_of_the_catalogue(verified):
    units = {band.unit for technique in TECHNIQUES.values() for band in technique.usual}
    assert not {(UCUM, unit) for unit in units if unit is not None} - verified


def test_the_search_finds_what_the_project_claims():
    profiles = {c for file in profiles_dir().rglob("*.json") for c in json_codings(load(file))}
    assert {(SNOMED, "34431008"), (LOINC, "59408-5"), (UCUM, "cm[H2O]")} <= profiles
    tables = {c for file in mappings_dir().rglob("*.csv") for c in table_codings(file)}
    assert {(SNOMED, "734163000"), (UCUM, "min")} <= tables
    assert set(source_codings('code = "195967001"')) == {(SNOMED, "195967001")}
