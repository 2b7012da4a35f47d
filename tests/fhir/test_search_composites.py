"""Pairs of values within one element: R4 search.html#composite."""

from decimal import Decimal

import pytest
from search_language import found_by, parse

from service.fhir.json import JsonObject
from service.fhir.search.terms import AnyOf, Condition, Criterion, IndexRow, QuantityRow

MASK, LEAK = ({"coding": [{"system": "urn:s", "code": code}]} for code in ("mask", "leak"))


def observation(*components: JsonObject, **rest: object) -> JsonObject:
    return {"resourceType": "Observation", "component": list(components)} | rest


def asks(name: str, text: str, type_: str = "Observation") -> set[tuple[str, str]]:
    """Names and kinds that a question looks at."""

    def of(one: Criterion) -> set[tuple[str, str]]:
        if isinstance(one, Condition):
            return {(one.parameter, one.kind)}
        assert isinstance(one, AnyOf)
        return {each for inner in one.criteria for each in of(inner)}

    return {each for one in parse(type_, [(name, text)]).criteria for each in of(one)}


def names(rows: list[IndexRow]) -> set[str]:
    return {row.parameter for row in rows}


def test_values_of_one_component_belong_together() -> None:
    rows = found_by(
        observation(
            {"code": MASK, "valueQuantity": {"value": Decimal(12)}},
            {"code": LEAK, "valueQuantity": {"value": Decimal(3)}},
        )
    )
    (mask,), (leak,) = (
        {name for name, _ in asks("component-code-value-quantity", f"urn:s|{code}$1")}
        for code in ("mask", "leak")
    )
    by_name = {row.parameter: row for row in rows if isinstance(row, QuantityRow)}
    assert by_name[mask].low == 12
    assert by_name[leak].low == 3


@pytest.mark.parametrize(
    ("text", "is_asked"),
    [
        ("mask$1", True),
        ("urn:s|mask$1", True),
        ("|mask$1", False),
        ("urn:t|mask$1", False),
        ("pep$1", False),
    ],
)
def test_the_first_value_with_its_system_or_without(text: str, is_asked: bool) -> None:
    rows = found_by(observation(code=MASK, valueQuantity={"value": Decimal(1)}))
    wanted = {name for name, _ in asks("code-value-quantity", text)}
    assert (wanted <= names(rows)) is is_asked


def test_a_pair_is_of_the_kind_of_its_second_value() -> None:
    kinds = {
        name: {kind for _, kind in asks(name, text)}
        for name, text in [
            ("code-value-quantity", "a$1"),
            ("code-value-concept", "a$b"),
            ("code-value-date", "a$ge2031"),
            ("code-value-string", "a$b"),
        ]
    }
    assert kinds == {
        "code-value-quantity": {"quantity"},
        "code-value-concept": {"token"},
        "code-value-date": {"date"},
        "code-value-string": {"string"},
    }


def test_a_pair_in_a_unit_of_ucum_asks_for_the_canonical_one() -> None:
    ucum = {"value": Decimal(12), "system": "http://unitsofmeasure.org", "code": "cm[H2O]"}
    rows = found_by(observation(code=MASK, valueQuantity=ucum))
    ((name, _),) = asks("code-value-quantity", "mask$12|http://unitsofmeasure.org|mm[H2O]")
    assert name.endswith(":canonical")
    assert name in names(rows)


def test_a_union_asks_both_and_has_no_rows() -> None:
    """R4's combo-code-value-quantity is about the observation and its components alike."""
    value = {"value": Decimal(1)}
    rows = found_by(
        observation({"code": LEAK, "valueQuantity": value}, code=MASK, valueQuantity=value)
    )
    for code in ("mask", "leak"):
        wanted = {name for name, _ in asks("combo-code-value-quantity", f"{code}$1")}
        assert len(wanted) == 2
        assert len(wanted & names(rows)) == 1
    assert not [name for name in names(rows) if name.startswith("combo")]


def test_a_reference_may_come_first() -> None:
    """DocumentReference.relationship is a document and how it is related (R4)."""
    rows = found_by(
        {
            "resourceType": "DocumentReference",
            "relatesTo": [
                {"code": "replaces", "target": {"reference": "DocumentReference/d1"}},
                {"code": "signs", "target": {"reference": "DocumentReference/d2"}},
            ],
        }
    )
    of_first, by_id = (
        asks("relationship", f"{text}$replaces", "DocumentReference")
        for text in ("DocumentReference/d1", "d1")
    )
    codes = {row.code for row in rows if (row.parameter, "token") in of_first}
    assert codes == {"replaces"}
    assert {name for name, _ in by_id} <= names(rows)


def test_all_alternatives_are_asked() -> None:
    assert len(asks("code-value-quantity", "a$1,b$2,a$3")) == 2
