"""The compiled walk finds what the FHIRPath engine finds by the expression itself.

Resources: the examples of the FHIR R4 specification (CC0) in the reference data beside the
checkout, and our own. Every search parameter of R4 is asked of every example of its types.
"""

import json
from collections.abc import Iterable, Iterator
from dataclasses import replace

import pytest
from profile_files import PASSING
from shared_data import shared

from service.api.types import STORED
from service.fhir.fhirpath.parser import parse
from service.fhir.json import JsonObject, read
from service.fhir.search.declarations import Parameter
from service.fhir.search.extraction import Extraction, general
from service.fhir.search.parameters import SearchParameters
from service.fhir.search.terms import DateRow, IndexRow, ReferenceRow, StringRow, TokenRow
from service.fhir.search.ways import parts_of, ways_of
from service.fhir.spans import span_of


def official() -> list[JsonObject]:
    """Without the examples that are known to break base rules."""
    flagged = json.loads(shared("conformance/r4-errata.json").read_text("utf-8"))
    known_bad = {row["example"] for row in flagged if "example" in row}
    files = sorted(shared("conformance/examples").glob("*.json"))
    return [
        read(f.read_bytes()) for f in files if f.stem not in known_bad and f.name != "index.json"
    ]


def ours() -> list[JsonObject]:
    return [read(file.read_bytes()) for file in PASSING]


def asked_of(type_: str, known: SearchParameters) -> list[Parameter]:
    """Every parameter with an expression that gives rows, each with its own."""
    return [
        replace(one, union=())
        for name, one in known.of_type(type_).items()
        if one.expression and name not in {"_id", "_lastUpdated"}
    ]


def differences(resource: JsonObject, asked: Iterable[Parameter]) -> Iterator[tuple[str, object]]:
    """Rows that the walk or the engine gives and not the other, but for what the walk alone knows.

    That is the system of a bare code, which follows from its element; and what a reference may be
    to that does not say so, which the engine would have to look up.
    """
    type_ = resource["resourceType"]
    for one in asked:
        by_engine: list[IndexRow] = []
        general(one, type_)(resource, by_engine)
        walked = set(Extraction(type_, [one]).rows(resource))
        more = {row for row in walked - set(by_engine) if not _known_to_walk_only(row, one, walked)}
        less = set(by_engine) - walked
        if more or less:
            yield one.name, (more, less)


def _known_to_walk_only(row: IndexRow, parameter: Parameter, walked: set[IndexRow]) -> bool:
    if "resolve()" in parameter.expression:
        unsaid = isinstance(row, ReferenceRow) and row.type == ""
        return unsaid or row.parameter.endswith(":identifier")
    return isinstance(row, TokenRow) and row._replace(system="") in walked


@pytest.mark.parametrize("source", [official, ours], ids=lambda source: source.__name__)
def test_walk_and_engine_agree(source) -> None:
    resources = source()
    types = {one["resourceType"] for one in resources}
    known = SearchParameters.of(types)
    parameters = {type_: asked_of(type_, known) for type_ in types}
    found = {
        f"{one['resourceType']}/{one.get('id')}": list(
            differences(one, parameters[one["resourceType"]])
        )
        for one in resources
    }
    assert len(found) > (300 if source is official else 20)
    assert {name: told for name, told in found.items() if told} == {}


def test_most_of_r4_is_walked() -> None:
    """The engine is for the few expressions that are no ways through elements."""
    known = SearchParameters.of(STORED)
    by_engine = {
        f"{type_}:{one.name}"
        for type_ in STORED
        for one in asked_of(type_, known)
        if any(ways_of(tree, type_) is None for tree in parts_of(parse(one.expression), type_))
    }
    assert by_engine == {"Patient:deceased", "QuestionnaireResponse:item-subject"}


# -- expressions of an operator's, whether walked or evaluated -------------------------------------


PATIENT: JsonObject = {
    "resourceType": "Patient",
    "birthDate": "2024-05",
    "name": [
        {"use": "official", "family": "Wren", "given": ["Ada", None], "_given": [None, {}]},
        {"use": "nickname", "given": ["Bee"]},
    ],
    "extension": [
        {"url": "urn:ward", "valueString": "Quay"},
        {"url": "urn:other", "valueString": "Elsewhere"},
        {"url": "urn:since", "valueDate": "2031-03-09"},
        {"url": "urn:deep", "extension": [{"url": "in", "valueCode": "x"}]},
    ],
}


@pytest.mark.parametrize(
    ("kind", "expression", "rows"),
    [
        ("string", "Patient.name.given", ["Ada", "Bee"]),
        ("string", "Patient.name.where(use = 'official').given", ["Ada"]),
        ("string", "Patient.name.where(use = 'official' and family.exists()).given", ["Ada"]),
        ("string", "Patient.name.first().given", ["Ada"]),
        ("string", "Patient.name[1].given", ["Bee"]),
        ("string", "Patient.name.given | Patient.name.family", ["Ada", "Bee", "Wren"]),
        ("string", "Patient.extension('urn:ward')", ["Quay"]),
        ("string", "Patient.extension('urn:ward').value", ["Quay"]),
        ("string", "Patient.extension('urn:ward').value.ofType(string)", ["Quay"]),
        ("string", "Patient.extension.where(url = 'urn:ward').value as string", ["Quay"]),
        ("string", "Patient.extension.where(url.startsWith('urn:w'))", ["Quay"]),
        ("string", "Patient.name.given.select(upper())", ["ADA", "BEE"]),
        ("string", "Observation.status", []),
        ("token", "Patient.extension('urn:deep').extension('in').value", ["x"]),
        ("token", "Patient.name.exists()", ["true"]),
        ("date", "Patient.extension('urn:since').value", [span_of("2031-03-09")]),
        ("date", "Patient.birthDate", [span_of("2024-05")]),
        ("string", "Patient.name.given.substring(1).toInteger() / 0", []),
    ],
)
def test_expressions(kind: str, expression: str, rows: list[object]) -> None:
    parameter = Parameter("x", kind, kind, expression=expression)  # type: ignore[arg-type]

    def said(row: IndexRow) -> object:
        match row:
            case StringRow():
                return row.text
            case TokenRow():
                return row.code
            case DateRow():
                return (row.low, row.high)
        raise AssertionError(row)

    walked = Extraction("Patient", [parameter]).rows(PATIENT)
    assert sorted(map(said, walked), key=str) == rows
    assert list(differences(PATIENT, [parameter])) == []
