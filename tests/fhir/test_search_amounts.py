"""Amounts: R4 search.html#quantity and #number, units by UCUM.

Factors are those of UCUM itself (ucum.org/ucum: a litre is 1 dm3, m[H2O] is 9.80665e3 Pa, its unit
of mass is the gram, Cel is offset by 273.15 K).
"""

from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st
from search_language import found_by, parse

from service.fhir.json import JsonObject
from service.fhir.search.amounts import CANONICAL, FAR, canonical
from service.fhir.search.terms import Condition, QuantityRow, QuantityValue

UCUM = "http://unitsofmeasure.org"


def amounts(value: JsonObject, name: str = "valueQuantity") -> list[QuantityRow]:
    found = found_by({"resourceType": "Observation", name: value})
    return [row for row in found if isinstance(row, QuantityRow)]


def asked(text: str) -> tuple[str, QuantityValue]:
    (condition,) = parse("Observation", [("value-quantity", text)]).criteria
    assert isinstance(condition, Condition)
    (value,) = condition.values
    assert isinstance(value, QuantityValue)
    return condition.parameter, value


def lies_in(row: QuantityRow, value: QuantityValue) -> bool:
    return value.low <= row.low and row.high < value.high and value.code in (None, row.code)


def met(value: JsonObject, text: str) -> bool:
    """Whether a row lies in what was asked for; what the store does with rows is tested there."""
    name, wanted = asked(text)
    return any(row.parameter == name and lies_in(row, wanted) for row in amounts(value))


def ucum(number: str, code: str) -> JsonObject:
    return {"value": Decimal(number), "system": UCUM, "code": code}


@pytest.mark.parametrize(
    ("value", "text", "expected"),
    [
        (ucum("5.4", "mL"), f"5.4|{UCUM}|mL", True),
        (ucum("5.4", "mL"), f"0.0054|{UCUM}|L", True),
        (ucum("0.0054", "L"), f"5.4|{UCUM}|mL", True),
        (ucum("5.4", "mL"), f"5.4|{UCUM}|L", False),
        (ucum("5.4", "mL"), f"5.4|{UCUM}|mg", False),
        (ucum("1", "m[H2O]"), f"9806.65|{UCUM}|Pa", True),
        (ucum("10", "cm[H2O]"), f"980.665|{UCUM}|Pa", True),
        (ucum("37.0", "Cel"), f"310.15|{UCUM}|K", True),
        (ucum("310.15", "K"), f"37.0|{UCUM}|Cel", True),
        (ucum("1", "h"), f"60|{UCUM}|min", True),
        (ucum("1", "h"), f"3600|{UCUM}|s", True),
        (ucum("94", "%"), f"0.94|{UCUM}|1", True),
        (ucum("5.4", "mL"), "5.4||mL", True),
        (ucum("5.4", "mL"), "5.4", True),
        (ucum("5.4", "mL"), "5.40", True),
        (ucum("5.44", "mL"), "5.40", False),
        (ucum("5.44", "mL"), "5.4", True),
        ({"value": Decimal("12"), "unit": "puffs"}, "12||puffs", True),
        ({"value": Decimal("12"), "unit": "puffs"}, "12||sips", False),
        (ucum("12", "no-such-unit"), f"12|{UCUM}|no-such-unit", True),
        ({"value": Decimal("12"), "system": "urn:u", "code": "x"}, "12|urn:u|x", True),
    ],
)
def test_amounts_are_found_in_any_unit(value: JsonObject, text: str, expected: bool) -> None:
    assert met(value, text) is expected


def test_the_amount_as_given_is_kept_beside_the_canonical_one() -> None:
    into = canonical("mL")
    assert into is not None
    assert set(amounts(ucum("5.40", "mL") | {"unit": "ml"})) == {
        QuantityRow("value-quantity", Decimal("5.40"), Decimal("5.40"), UCUM, "mL"),
        QuantityRow("value-quantity", Decimal("5.40"), Decimal("5.40"), "", "ml"),
        QuantityRow(f"value-quantity{CANONICAL}", *[Decimal("0.0000054")] * 2, UCUM, into.code),
    }


@pytest.mark.parametrize(
    ("comparator", "low", "high"), [("<", -FAR, 5), ("<=", -FAR, 5), (">", 5, FAR), (">=", 5, FAR)]
)
def test_a_comparator_opens_the_amount(comparator: str, low: Decimal, high: Decimal) -> None:
    (row,) = amounts({"value": 5, "comparator": comparator})
    assert (row.low, row.high) == (low, high)


def test_a_range_has_two_ends() -> None:
    limits = {"low": ucum("10", "cm[H2O]"), "high": ucum("20", "cm[H2O]")}
    resource = {
        "resourceType": "Group",
        "characteristic": [{"code": {"coding": [{"code": "pep"}]}, "valueRange": limits}],
    }
    assert [row for row in found_by(resource) if isinstance(row, QuantityRow)] == []
    goal = {"resourceType": "Condition", "onsetRange": limits}
    given_row, canonical_row = (r for r in found_by(goal) if isinstance(r, QuantityRow))
    assert (given_row.low, given_row.high) == (10, 20)
    assert (canonical_row.low, canonical_row.high) == (980_665, 1_961_330)
    open_end = {"resourceType": "Condition", "onsetRange": {"low": ucum("3", "a")}}
    assert {row.high for row in found_by(open_end) if isinstance(row, QuantityRow)} == {FAR}


numbers = st.decimals(-1000, 1000, places=3)


@given(numbers, st.sampled_from(["mL", "cm[H2O]", "[in_i]", "Cel", "min", "%", "mmol/L"]))
def test_an_amount_is_found_by_what_it_says(number: Decimal, code: str) -> None:
    value = {"value": number, "system": UCUM, "code": code}
    assert met(value, f"{number}|{UCUM}|{code}")
    name, wanted = asked(f"ge{number}|{UCUM}|{code}")
    assert [row.low for row in amounts(value) if row.parameter == name] == [wanted.number]


@given(numbers, st.sampled_from([("mL", "L", 1000), ("g", "kg", 1000), ("min", "h", 60)]))
def test_equal_amounts_are_one_number(number: Decimal, units: tuple[str, str, int]) -> None:
    small, large, times = units
    one, other = canonical(small), canonical(large)
    assert one is not None
    assert other is not None
    assert one.code == other.code
    assert one.of(number * times) == other.of(number)
