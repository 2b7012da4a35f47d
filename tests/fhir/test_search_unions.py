"""What a parameter would have as rows of its own is what others have together."""

from dataclasses import replace

import pytest
from profile_files import PASSING
from search_language import parameters
from shared_data import shared

from service.api.types import STORED
from service.fhir.json import read
from service.fhir.search.declarations import Parameter
from service.fhir.search.extraction import Extraction
from service.fhir.search.terms import IndexRow

OF_OBSERVATION = {
    "combo-code": ("code", "component-code"),
    "combo-code-value-concept": ("code-value-concept", "component-code-value-concept"),
    "combo-code-value-quantity": ("code-value-quantity", "component-code-value-quantity"),
    "combo-data-absent-reason": ("component-data-absent-reason", "data-absent-reason"),
    "combo-value-concept": ("component-value-concept", "value-concept"),
    "combo-value-quantity": ("component-value-quantity", "value-quantity"),
}


def test_which_parameters_of_r4_are_unions() -> None:
    unions = {
        (type_, one.name): one.union
        for type_ in STORED
        for one in parameters().of_type(type_).values()
        if one.union and one.type != "text"
    }
    assert unions == {("Observation", name): both for name, both in OF_OBSERVATION.items()}


def rows(one: Parameter, resource: object, name: str) -> set[IndexRow]:
    """The rows that a parameter gives by its own expression, under another name."""
    own = Extraction("Observation", [replace(one, union=())]).rows(resource)  # type: ignore[arg-type]
    return {row._replace(parameter=name + row.parameter.removeprefix(one.name)) for row in own}


@pytest.mark.parametrize("name", OF_OBSERVATION)
def test_together_they_have_the_same_rows(name: str) -> None:
    """Resources: the Observations among the examples of FHIR R4 (CC0), and our own."""
    known = parameters().of_type("Observation")
    files = [*shared("conformance/examples").glob("Observation-*.json"), *PASSING]
    seen = 0
    for file in files:
        resource = read(file.read_bytes())
        if resource["resourceType"] == "Observation":
            wanted = rows(known[name], resource, "")
            parts = [rows(known[part], resource, "") for part in known[name].union]
            assert wanted == set().union(*parts)
            seen += bool(wanted)
    assert seen > 3
