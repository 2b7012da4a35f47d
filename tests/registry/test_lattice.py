"""The search for the best levels, against trying every node and against reference libraries."""

from collections import Counter
from fractions import Fraction
from itertools import product

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import entropy

from service.registry.columns import Bands, Groups
from service.registry.lattice import Choice, Row, bits, search
from service.registry.rules import Policy

_ABOUT = {"from": "field", "meaning": "-", "source": "-"}
_COLUMNS = (
    Bands.model_validate(
        {**_ABOUT, "name": "age", "kind": "bands", "levels": [[0, 1, 2, 3], [0, 2]], "weight": 3}
    ),
    Groups.model_validate(
        {
            **_ABOUT,
            "name": "condition",
            "kind": "groups",
            "levels": [
                {"a": ["a"], "b": ["b"], "c": ["c"]},
                {"ab": ["a", "b"], "c": ["c"]},
            ],
            "weight": 2,
        }
    ),
    Groups.model_validate(
        {**_ABOUT, "name": "sex", "kind": "groups", "levels": [{"f": ["f"], "m": ["m"]}]}
    ),
)

_rows = st.lists(
    st.builds(
        lambda age, condition, sex, band: Row((_COLUMNS[0].base(age), condition, sex), band),
        st.integers(0, 3),
        st.sampled_from("abc"),
        st.sampled_from("fm"),
        st.sampled_from(["low", "high", None]),
    ),
    max_size=30,
)
_policies = st.builds(
    lambda k, bands, share: Policy.model_validate(
        {"k": k, "distinct-bands": bands, "suppressed-at-most": share}
    ),
    st.integers(2, 4),
    st.just(2),
    st.sampled_from([0, 20, 50]),
)


def _by_trying_every_node(rows: list[Row], policy: Policy) -> Choice | None:
    """The definition, written down without any of the shortcuts of the search."""
    candidates = []
    for levels in product(*(range(column.height + 1) for column in _COLUMNS)):
        lifted = [_lifted(row.labels, levels) for row in rows]
        sizes = Counter(lifted)
        bands = {
            key: {row.band for row, at in zip(rows, lifted, strict=True) if at == key and row.band}
            for key in sizes
        }
        suppressed = sum(
            size
            for key, size in sizes.items()
            if size < policy.k or len(bands[key]) < policy.distinct_bands
        )
        if suppressed * 100 > policy.suppressed_at_most * len(rows):
            continue
        released, whole = _losses(rows, lifted)
        lost = released * (len(rows) - suppressed) + whole * suppressed
        share = Fraction(lost, (whole or 1) * len(rows))
        candidates.append((share, suppressed, levels))
    if not candidates:
        return None
    share, suppressed, levels = min(candidates)
    return Choice(levels, suppressed, share)


def _lifted(labels: tuple[str, ...], levels: tuple[int, ...]) -> tuple[str, ...]:
    parts = zip(_COLUMNS, labels, levels, strict=True)
    return tuple(column.lift(label, level) for column, label, level in parts)


def _losses(rows: list[Row], lifted: list[tuple[str, ...]]) -> tuple[int, int]:
    released = whole = 0
    for at, column in enumerate(_COLUMNS):
        everything = _scipy_bits([row.labels[at] for row in rows])
        left = _scipy_bits([labels[at] for labels in lifted])
        released += column.weight * round(1000 * (everything - left))
        whole += column.weight * round(1000 * everything)
    return released, whole


def _scipy_bits(labels: list[str]) -> float:
    return float(entropy(list(Counter(labels).values()), base=2))


@given(_rows.filter(bool), _policies)
def test_the_search_finds_what_trying_every_node_finds(rows: list[Row], policy: Policy) -> None:
    assert search(rows, _COLUMNS, policy) == _by_trying_every_node(rows, policy)


@given(st.lists(st.sampled_from("abcdef"), min_size=1, max_size=60))
def test_entropy_is_that_of_scipy(labels: list[str]) -> None:
    assert bits(labels) == pytest.approx(_scipy_bits(labels))


@given(_rows.filter(bool), _policies, st.randoms(use_true_random=False))
def test_the_order_of_the_children_has_no_influence(
    rows: list[Row], policy: Policy, chance: object
) -> None:
    shuffled = list(rows)
    chance.shuffle(shuffled)  # type: ignore[attr-defined]
    assert search(shuffled, _COLUMNS, policy) == search(rows, _COLUMNS, policy)


def test_nobody_is_nothing_to_release() -> None:
    policy = Policy.model_validate({"k": 2, "distinct-bands": 2, "suppressed-at-most": 20})
    assert search([], _COLUMNS, policy) is None
