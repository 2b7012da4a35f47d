"""Columns of a release: half-open bands, nested levels, and what is refused."""

from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import ValidationError
from registry_children import RULES, any_child

from service.registry.children import ChildRecord
from service.registry.columns import ANY, Bands, CodeSet, Groups

_ABOUT = {"name": "column", "from": "field", "meaning": "-", "source": "-"}
_COLUMN = {column.name: column for column in RULES.column}


@pytest.mark.parametrize(
    ("per_cent", "band"),
    [
        (Fraction(0), "0 to under 35"),
        (Fraction(349, 10), "0 to under 35"),
        (Fraction(35), "35 to under 80"),
        # Printed categories "under 35", "36-79", "80 or more" leave these two out
        # (Respir Care 2019;64:176): half-open bands place them.
        (Fraction(355, 10), "35 to under 80"),
        (Fraction(795, 10), "35 to under 80"),
        (Fraction(80), "80 and over"),
        (Fraction(100), "80 and over"),
        (None, "no-score"),
    ],
)
def test_an_adherence_band_is_half_open(per_cent: Fraction | None, band: str) -> None:
    assert RULES.adherence.base(per_cent) == band


@pytest.mark.parametrize(
    ("age", "labels"),
    [
        (3, ["0 to under 4", "0 to under 8", "0 to under 8", ANY]),
        (4, ["4 to under 8", "0 to under 8", "0 to under 8", ANY]),
        (15, ["12 to under 16", "8 to under 16", "8 and over", ANY]),
        (16, ["16 and over", "16 and over", "8 and over", ANY]),
    ],
)
def test_an_age_is_coarsened_band_by_band(age: int, labels: list[str]) -> None:
    column = _COLUMN["age_band"]
    base = column.base(age)
    assert [column.lift(base, level) for level in range(column.height + 1)] == labels


@pytest.mark.parametrize(
    ("techniques", "labels"),
    [
        ({"opep", "exercise"}, ["exercise+opep", "exercise+expiratory-pressure", "with-device"]),
        ({"acbt"}, ["acbt", "breathing", "without-device"]),
        ({"huff", "mi-e"}, ["huff+mi-e", "breathing+machine", "with-device"]),
        (set(), ["no-technique", "no-technique", "without-device"]),
    ],
)
def test_a_set_of_techniques_becomes_families(techniques: set[str], labels: list[str]) -> None:
    column = _COLUMN["techniques"]
    base = column.base(frozenset(techniques))
    assert [column.lift(base, level) for level in range(4)] == [*labels, ANY]


@given(any_child, any_child)
def test_alike_at_one_level_is_alike_at_every_coarser_one(
    one: ChildRecord, other: ChildRecord
) -> None:
    for column in RULES.quasi_identifiers:
        bases = [column.base(child.fields()[column.source_field]) for child in (one, other)]
        alike = [
            column.lift(bases[0], level) == column.lift(bases[1], level)
            for level in range(column.height + 1)
        ]
        assert alike == sorted(alike)  # never alike first and different later
        assert column.height == 0 or alike[-1]


@pytest.mark.parametrize(
    ("column", "value"),
    [
        ("age_band", -1),
        ("age_band", None),
        ("age_band", "7"),
        ("age_band", True),
        ("sex", "F"),
        ("condition_group", "Zztest syndrome"),
        ("techniques", frozenset({"opep", "Zztest"})),
        ("techniques", "opep"),
        ("rule_version", "Zztest Alder, 900001"),
        ("half_year", None),
    ],
)
def test_a_value_outside_the_levels_is_refused_and_not_repeated(column: str, value: object) -> None:
    with pytest.raises(ValueError, match=r".") as refused:
        _COLUMN[column].base(value)
    assert "Zztest" not in str(refused.value)


@given(st.fractions(0, 1000))
def test_every_number_is_in_exactly_the_band_that_its_label_says(value: Fraction) -> None:
    column = Bands.model_validate({**_ABOUT, "kind": "bands", "levels": [[0, 14, 42, 91], [0, 42]]})
    low, *under = column.base(value).replace(" and over", "").split(" to under ")
    assert int(low) <= value
    assert all(value < int(end) for end in under)


@pytest.mark.parametrize(
    ("declared", "named"),
    [
        ({"kind": "bands", "levels": [[0, 4, 8], [0, 5]]}, "is not a cut of"),
        ({"kind": "bands", "levels": [[0, 8, 4]]}, "cuts rise"),
        ({"kind": "bands", "levels": [[0, 4], [4]]}, "begin at the same number"),
    ],
)
def test_bands_that_do_not_nest_are_refused(declared: dict[str, object], named: str) -> None:
    with pytest.raises(ValidationError, match=named):
        Bands.model_validate({**_ABOUT, **declared})


def test_a_group_that_is_placed_twice_or_nowhere_is_refused() -> None:
    twice = [{"a": ["x", "y"], "b": ["y"]}]
    nowhere = [{"a": ["x"], "b": ["y"]}, {"all": ["a"]}]
    with pytest.raises(ValidationError, match="y is in two groups"):
        Groups.model_validate({**_ABOUT, "kind": "groups", "levels": twice})
    with pytest.raises(ValidationError, match="exactly the groups before it"):
        Groups.model_validate({**_ABOUT, "kind": "groups", "levels": nowhere})


def test_a_set_whose_families_leave_a_value_out_is_refused() -> None:
    declared = {
        "kind": "set",
        "values": ["opep", "pep"],
        "empty": "nothing",
        "families": {"pressure": ["opep"]},
        "holding": {"some": ["pressure", "nothing"]},
    }
    with pytest.raises(ValidationError, match="exactly the values"):
        CodeSet.model_validate({**_ABOUT, **declared})


def test_the_only_column_that_is_no_quasi_identifier_is_the_adherence_band() -> None:
    others = {column.name for column in RULES.column} - {"adherence_band"}
    assert {column.name for column in RULES.quasi_identifiers} == others
