"""Every kind of search parameter, asked of every engine: R4 search.html."""

from collections.abc import Iterator
from decimal import Decimal
from typing import Any

import pytest
from engines import ENGINES
from profile_files import PASSING
from search_language import found_by, parse
from shared_data import shared
from store_samples import version

from service.api.types import STORED
from service.fhir.json import JsonObject, read
from service.fhir.search.terms import (
    Condition,
    DateRow,
    DateValue,
    IndexRow,
    QuantityRow,
    QuantityValue,
    ReferenceRow,
    ReferenceValue,
    StringRow,
    StringValue,
    TokenRow,
    TokenValue,
    UriRow,
    UriValue,
)
from service.store.contract import Entry, Store

UCUM = "http://unitsofmeasure.org"


def keep(store: Store, *resources: JsonObject) -> None:
    with store.begin() as unit:
        unit.write(
            [
                Entry(version(one["id"], type_=one["resourceType"]), found_by(one))
                for one in resources
            ]
        )


def found(store: Store, type_: str, *pairs: tuple[str, str], **how: Any) -> str:
    """Ids of what is found, in order."""
    search = parse(type_, pairs, **how)
    assert search.unknown == []
    with store.read() as reader:
        page = reader.search(type_, search.criteria, sort=search.sort)
        assert reader.total(type_, search.criteria) == len(page.versions)
    return " ".join(one.id for one in page.versions)


def coded(code: str, system: str = "urn:s", **rest: Any) -> JsonObject:
    return {"coding": [{"system": system, "code": code}], **rest}


def ucum(number: str, code: str) -> JsonObject:
    return {"value": Decimal(number), "system": UCUM, "code": code}


def observation(id_: str, **rest: Any) -> JsonObject:
    return {"resourceType": "Observation", "id": id_, "status": "final"} | rest


LOGS = (
    observation(
        "a",
        code=coded("pressure", text="Mask pressure"),
        valueQuantity=ucum("12", "cm[H2O]"),
        effectiveDateTime="2031-03-09",
    ),
    observation(
        "b",
        code=coded("volume"),
        valueQuantity=ucum("5.4", "mL") | {"unit": "ml"},
        component=[
            {"code": coded("pressure"), "valueQuantity": ucum("1", "kPa")},
            {"code": coded("leak"), "valueQuantity": ucum("2", "cm[H2O]")},
        ],
    ),
    observation(
        "c",
        code=coded("pressure", "urn:t"),
        valueCodeableConcept=coded("high", "urn:v"),
        component=[{"code": coded("colour"), "valueCodeableConcept": coded("green", "urn:v")}],
    ),
    observation("d", valueString="Écume", method=coded("diary", text="By hand")),
)


@pytest.fixture(scope="module", params=ENGINES)
def logs(
    request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory
) -> Iterator[Store]:
    store = ENGINES[request.param](tmp_path_factory.mktemp("logs"))
    keep(store, *LOGS)
    yield store
    store.close()


@pytest.mark.parametrize(
    ("name", "text", "expected"),
    [
        ("value-quantity", f"12|{UCUM}|cm[H2O]", "a"),
        ("value-quantity", f"120|{UCUM}|mm[H2O]", "a"),
        ("value-quantity", f"0.0054|{UCUM}|L", "b"),
        ("value-quantity", f"gt0.01|{UCUM}|L", ""),
        ("value-quantity", f"le5400|{UCUM}|uL", "b"),
        ("value-quantity", "5.4||ml", "b"),
        ("value-quantity", "5.4||mL", "b"),
        ("value-quantity", "12", "a"),
        ("value-quantity", f"ap13|{UCUM}|cm[H2O]", "a"),
        ("value-quantity", f"ap14|{UCUM}|cm[H2O]", ""),
        ("value-quantity", f"12|{UCUM}|cm[H2O],5.4||mL", "a b"),
        ("value-quantity:missing", "true", "c d"),
        ("combo-value-quantity", f"1|{UCUM}|kPa", "a b"),
        ("combo-value-quantity", f"1.00|{UCUM}|kPa", "b"),
        ("combo-value-quantity", f"ge1|{UCUM}|kPa", "a b"),
        ("combo-value-quantity:missing", "true", "c d"),
        ("combo-value-quantity:missing", "false", "a b"),
        ("combo-code", "pressure", "a b c"),
        ("combo-code", "urn:s|pressure", "a b"),
        ("combo-code:not", "pressure", "d"),
        ("combo-code:not", "leak", "a c d"),
        ("code:not", "pressure", "b d"),
        ("component-code", "pressure", "b"),
        ("code:text", "mask", "a"),
        ("code:text", "pressure", ""),
        ("method:text", "BY HAND", "d"),
        ("code-value-quantity", f"pressure$12|{UCUM}|cm[H2O]", "a"),
        ("code-value-quantity", f"pressure$120|{UCUM}|mm[H2O]", "a"),
        ("code-value-quantity", f"urn:t|pressure$12|{UCUM}|cm[H2O]", ""),
        ("code-value-quantity", "volume$gt5,pressure$gt11", "a b"),
        ("code-value-quantity", "volume$5.4||ml", "b"),
        ("component-code-value-quantity", f"pressure$1|{UCUM}|kPa", "b"),
        ("component-code-value-quantity", f"leak$1|{UCUM}|kPa", ""),
        ("combo-code-value-quantity", f"pressure$gt0.9|{UCUM}|kPa", "a b"),
        ("code-value-concept", "urn:t|pressure$urn:v|high", "c"),
        ("code-value-concept", "pressure$high", "c"),
        ("code-value-concept", "urn:s|pressure$high", ""),
        ("combo-code-value-concept", "colour$green", "c"),
        ("combo-code-value-concept", "colour$high", ""),
        ("value-string", "ecume", "d"),
        ("status", "http://hl7.org/fhir/observation-status|final", "a b c d"),
        ("status", "|final", "a b c d"),
        ("status", "urn:s|final", ""),
        ("date", "ap2031-03-09", "a"),
    ],
)
def test_what_is_found(logs: Store, name: str, text: str, expected: str) -> None:
    assert found(logs, "Observation", (name, text)) == expected


def test_conditions_on_unions_are_met_together(logs: Store) -> None:
    pairs = [("combo-code", "pressure"), ("combo-code", "volume")]
    assert found(logs, "Observation", *pairs) == "b"
    assert found(logs, "Observation", *pairs, ("combo-code:not", "leak")) == ""
    assert found(logs, "Observation", ("combo-code", "pressure"), ("_sort", "-_id")) == "c b a"


def test_members_of_a_value_set(logs: Store) -> None:
    sets = {"urn:set": {("urn:s", "pressure"), ("urn:s", "leak")}}.get
    for name, expected in [
        ("code:in", "a"),
        ("code:not-in", "b c d"),
        ("combo-code:in", "a b"),
        ("combo-code:not-in", "c d"),
    ]:
        assert found(logs, "Observation", (name, "urn:set"), sets=sets) == expected


@pytest.mark.parametrize(
    ("name", "text", "expected"),
    [
        ("identifier:of-type", "urn:t|MR|7", "ada"),
        ("identifier:of-type", "urn:t|SS|7", "bee"),
        ("identifier", "7", "ada bee"),
        ("identifier:text", "record", "ada"),
        ("deceased", "true", "bee"),
        ("deceased", "false", "ada cid"),
        ("death-date", "2031-03", "bee"),
        ("death-date:missing", "true", "ada cid"),
        ("gender", "http://hl7.org/fhir/administrative-gender|female", "ada"),
        ("_content", "quay", "ada"),
        ("_content", "Quay mask", "ada"),
        ("_content", "quay,haven", "ada cid"),
        ("_text", "quay", ""),
        ("_text", "mask", "ada"),
        ("_content", "mask", "ada"),
        ("_tag", "urn:t|x", "cid"),
        ("_security", "urn:s|R", "cid"),
        ("_source", "urn:feed", "cid"),
        ("_source:below", "urn:feed", "cid"),
        ("_profile", "https://clinic.example/p", "cid"),
        ("_profile", "https://clinic.example/p|2", "cid"),
        ("_profile", "https://clinic.example/p|1", ""),
        ("_profile:below", "https://clinic.example", "cid"),
    ],
)
def test_children(store: Store, name: str, text: str, expected: str) -> None:
    def number(code: str, text: str) -> JsonObject:
        return {"value": "7", "type": coded(code, "urn:t", text=text)}

    keep(
        store,
        {
            "resourceType": "Patient",
            "id": "ada",
            "gender": "female",
            "identifier": [number("MR", "Record")],
            "address": [{"city": "Quay"}],
            "text": {"status": "generated", "div": "<div>Mask <b>twice</b></div>"},
        },
        {
            "resourceType": "Patient",
            "id": "bee",
            "identifier": [number("SS", "Insurance")],
            "deceasedDateTime": "2031-03-09",
        },
        {
            "resourceType": "Patient",
            "id": "cid",
            "address": [{"city": "Haven"}],
            "meta": {
                "tag": [{"system": "urn:t", "code": "x"}],
                "security": [{"system": "urn:s", "code": "R"}],
                "source": "urn:feed",
                "profile": ["https://clinic.example/p|2"],
            },
        },
    )
    assert found(store, "Patient", (name, text)) == expected


# -- every row of every example --------------------------------------------------------------------


def examples() -> Iterator[JsonObject]:
    """The examples of FHIR R4 (CC0), of the types that are kept, and our own."""
    seen = set()
    for file in (*sorted(shared("conformance/examples").glob("*.json")), *PASSING):
        one = read(file.read_bytes())
        if isinstance(one, dict) and one.get("resourceType") in STORED and "id" in one:
            key = one["resourceType"], one["id"]
            if key not in seen:
                seen.add(key)
                yield one


def question(row: IndexRow) -> Condition:
    """What the row alone meets."""
    match row:
        case TokenRow(name, system, code):
            return Condition(name, "token", (TokenValue(system, code),))
        case ReferenceRow(name, type_, id_):
            return Condition(name, "reference", (ReferenceValue(type_, id_),))
        case DateRow(name, low, high):
            return Condition(name, "date", (DateValue("eq", low, high),))
        case StringRow(name, text, _):
            return Condition(name, "string", (StringValue(text, "exact"),))
        case QuantityRow(name, low, high, system, code):
            wanted = QuantityValue("ge", high, high, high, system, code)
            return Condition(name, "quantity", (wanted,))
        case UriRow(name, uri):
            return Condition(name, "uri", (UriValue(uri),))


def test_a_resource_is_found_by_every_kind_of_row_that_it_gives(store: Store) -> None:
    """Two rows of each parameter of each type, those of modifiers and pairs among them."""
    resources = list(examples())
    keep(store, *resources)
    asked: dict[tuple[str, str, type], list[tuple[str, IndexRow]]] = {}
    for one in resources:
        for row in found_by(one):
            name = row.parameter.partition("$")[0]
            rows = asked.setdefault((one["resourceType"], name, type(row)), [])
            if len(rows) < 2:
                rows.append((one["id"], row))
    with store.read() as reader:
        missed = [
            (type_, id_, row)
            for (type_, *_), rows in asked.items()
            for id_, row in rows
            if id_ not in {one.id for one in reader.search(type_, [question(row)]).versions}
        ]
    assert len(asked) > 500
    assert missed == []
