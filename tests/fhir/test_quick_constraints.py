"""Translated constraints against the FHIRPath engine: the same answer wherever there is one.

Every constraint of R4 on every object of the official examples (hl7.fhir.r4.examples, CC0), and
those of our profiles on our own examples and on edits of them.
"""

from collections import Counter
from collections.abc import Iterator
from typing import Any

from edits import edited
from hypothesis import HealthCheck, given, settings
from profile_files import PASSING, definitions
from r4_elements import example_objects, objects
from translated import translated

from service.compose import build_definitions
from service.fhir.fast import FastPath
from service.fhir.fast.facts import type_facts
from service.fhir.fast.memory import UnsureError
from service.fhir.fhirpath import FhirPathError, compile_expression
from service.fhir.json import JsonObject, read
from service.fhir.r4 import tables
from service.fhir.type_model import R4

_ELSEWHERE = {"ele-1", "txt-1", "txt-2"}
_SHAPES = (AttributeError, KeyError, TypeError, ValueError)


def answers(type_name: str, expression: str, value: JsonObject) -> tuple[bool, bool] | None:
    """Ours and the engine's; None where the translation does not say or the shape is broken."""
    try:
        ours = translated(type_name, expression)(value)
    except (UnsureError, *_SHAPES):
        return None
    engine = compile_expression(expression, R4)
    try:
        resource = value if "resourceType" in value else None
        return ours, engine.holds(value, type_name=type_name, resource=resource) is True
    except FhirPathError:
        return ours, False


def left_out(value: JsonObject) -> bool:
    """Objects that no generated function gets to the constraints of."""
    return any(key in ("contained", "resource") or key.startswith("_") for key in value)


def test_constraints_of_r4_on_the_official_examples() -> None:
    told, unsaid = Counter[str](), Counter[str]()
    for _, _, type_name, value in example_objects():
        for name in type_facts(type_name).constraints:
            fact = tables.invariants()[name]
            if fact["key"] in _ELSEWHERE or left_out(value):
                continue
            both = answers(type_name, fact["expression"], value)
            (unsaid if both is None else told)[fact["key"]] += 1
            assert both is None or both[0] == both[1], (name, value)
    assert len(told) > 60
    # Constraints of Bundles, names and deep searches are left to the engine.
    assert sum(unsaid.values()) < sum(told.values()) / 20


def profile_constraints() -> Iterator[tuple[str, str]]:
    """Type and expression of the constraints that our profiles state on whole resources."""
    for profile in definitions("structuredefinitions").values():
        root = profile["differential"]["element"][0]
        for constraint in root.get("constraint", ()):
            yield profile["type"], constraint["expression"]


DOCUMENTS = [read(file.read_bytes()) for file in PASSING]
OURS = [row for row in profile_constraints() if row[0] != "Extension"]


WITHOUT_RULES = FastPath(build_definitions())


@settings(max_examples=300, deadline=None, suppress_health_check=list(HealthCheck))
@given(edited(DOCUMENTS, most=2))
def test_our_constraints_on_edited_documents(document: Any) -> None:
    if not isinstance(document, dict) or not WITHOUT_RULES.is_clean(document):
        return  # constraints are asked last, of what is in order otherwise
    for type_name, expression in OURS:
        if type_name == document["resourceType"]:
            both = answers(type_name, expression, document)
            assert both is None or both[0] == both[1], (expression, document)


def test_our_constraints_on_our_examples() -> None:
    for document in DOCUMENTS:
        for type_name, expression in OURS:
            if type_name == document["resourceType"]:
                both = answers(type_name, expression, document)
                assert both is not None, expression
                assert both[0] == both[1], expression


def test_constraints_of_datatypes_on_our_examples() -> None:
    for document in DOCUMENTS:
        for type_name, value in objects(document, document["resourceType"]):
            for name in type_facts(type_name).constraints:
                expression = tables.invariants()[name]["expression"]
                if name not in _ELSEWHERE:
                    both = answers(type_name, expression, value)
                    assert both is None or both[0] == both[1], (name, value)
