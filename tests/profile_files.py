"""Our conformance resources and their examples, for the tests that read them."""

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from fhir.resources.R4B import get_fhir_model_class

from service.fhir.definitions import Definitions
from service.fhir.json import read
from service.fhir.validation import Validator, profile_rules
from service.resources import profiles_dir

BASE = "https://airway-programmes.example/fhir"
FOLDERS = {
    "structuredefinitions": "StructureDefinition",
    "codesystems": "CodeSystem",
    "valuesets": "ValueSet",
    "measures": "Measure",
    "operationdefinitions": "OperationDefinition",
    "plandefinitions": "PlanDefinition",
    "questionnaires": "Questionnaire",
}
"""Folder -> the type of every resource in it."""

DEFINITION_FILES = sorted(file for name in FOLDERS for file in (profiles_dir() / name).iterdir())
PASSING = sorted((profiles_dir() / "examples" / "pass").iterdir())
FAILING = profiles_dir() / "examples" / "fail"


def load(file: Path) -> Any:
    """A file as plain JSON."""
    return json.loads(file.read_text(encoding="utf-8"))


def definitions(folder: str) -> dict[str, Any]:
    """The resources of one folder by id."""
    return {file.stem: load(file) for file in (profiles_dir() / folder).iterdir()}


def must_fail() -> list[dict[str, str]]:
    """The index of the examples that must fail: file, profile, key, expression, words."""
    rows: list[dict[str, str]] = load(FAILING / "index.json")
    return rows


def our_validator() -> Validator:
    """The validator with our definitions and rules, as the service builds it."""
    rules = profile_rules(read((profiles_dir() / "rules.json").read_bytes()))
    return Validator(Definitions.load(profiles_dir()), rules, rest_references=True)


def accepted_by_others(resource: dict[str, Any]) -> None:
    """Raises ``ValidationError`` unless the models of fhir.resources take it.

    That library has no R4 package; for our types its R4B models say the same.
    """
    get_fhir_model_class(resource["resourceType"]).model_validate(resource)


def objects(value: Any) -> Iterator[dict[str, Any]]:
    """Every object in a JSON value, at any depth."""
    if isinstance(value, dict):
        yield value
        for part in value.values():
            yield from objects(part)
    elif isinstance(value, list):
        for part in value:
            yield from objects(part)


def codes_of(code_system: dict[str, Any]) -> list[str]:
    """The codes of a code system, in order."""
    return [concept["code"] for concept in code_system["concept"]]
