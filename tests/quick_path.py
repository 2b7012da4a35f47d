"""The law of the quick path, for the tests that hold it: clean there means nothing found here."""

from functools import cache
from typing import Any

from profile_files import PASSING, load
from serious import serious

from service.compose import build_definitions, build_validator
from service.fhir.fast import FastPath
from service.fhir.json import JsonError, read
from service.fhir.outcome import Finding
from service.fhir.validation import Validator, profile_rules
from service.resources import profiles_dir

LEFT_ALONE = [file for file in PASSING if load(file)["resourceType"] == "QuestionnaireResponse"]
"""Examples of a type whose rules reach over the whole document: never clean on the quick path."""
JUDGED = [file for file in PASSING if file not in LEFT_ALONE]


@cache
def both() -> tuple[FastPath, Validator]:
    """The two paths, with the project's definitions and rules."""
    rules = profile_rules(read((profiles_dir() / "rules.json").read_bytes()))
    return FastPath(build_definitions(), rules), build_validator()


def said(resource: Any) -> list[Finding]:
    """What the diagnosing path finds, advice apart."""
    return serious(both()[1].validate(resource))


def law_holds(text: bytes) -> bool:
    """Hold the law for a text, read both ways; whether the quick path called it clean."""
    quick, _ = both()
    try:
        resource = read(text)
    except JsonError:
        assert not quick.is_clean_text(text), text
        return False
    clean = quick.is_clean_text(text), quick.is_clean(resource)
    assert clean[0] == clean[1], (clean, text)
    if any(clean):
        assert said(resource) == [], text
    return clean[0]
