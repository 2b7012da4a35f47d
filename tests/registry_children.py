"""Invented children for the tests of the registry."""

import random
from dataclasses import replace
from fractions import Fraction

from hypothesis import strategies as st

from service.registry.children import ChildRecord
from service.registry.rules import Rules, load_rules
from service.resources import mappings_dir

RULES: Rules = load_rules(mappings_dir() / "registry" / "release.toml")

TYPICAL = ChildRecord(
    age_years=7,
    sex="female",
    condition="cystic-fibrosis",
    techniques=frozenset({"opep", "exercise"}),
    observed_days=181,
    unlogged_days=3,
    paused_days=0,
    unwell_days=6,
    log_source="diary",
    sessions_score=Fraction(500, 7),
    rule_version="1",
    half_year="2026-H1",
)

_CONDITIONS = (
    "cystic-fibrosis",
    "bronchiectasis",
    "primary-ciliary-dyskinesia",
    "neuromuscular",
    "asthma",
    "other",
)
_PRESCRIBED = (
    {"opep"},
    {"pep", "exercise"},
    {"opep", "exercise"},
    {"acbt", "exercise"},
    {"autogenic-drainage", "opep"},
    {"hfcwo", "huff"},
    {"mi-e"},
    {"postural-drainage"},
)


def invented_children(count: int, seed: int = 1) -> list[ChildRecord]:
    """Children of many kinds, some kinds rare; always the same for a seed."""
    chance = random.Random(seed)  # noqa: S311  (not for secrets)
    return [_invented(chance) for _ in range(count)]


def _invented(chance: random.Random) -> ChildRecord:
    observed = chance.choice([181] * 8 + [chance.randint(10, 180)])
    return replace(
        TYPICAL,
        age_years=chance.randint(0, 17),
        sex=chance.choice(["male", "female"] * 20 + ["other", "unknown"]),
        condition=chance.choices(_CONDITIONS, [50, 20, 5, 12, 5, 8])[0],
        techniques=frozenset(chance.choice(_PRESCRIBED)),
        observed_days=observed,
        unlogged_days=chance.choice([0, chance.randint(0, observed)]),
        paused_days=chance.choice([0, 0, 0, chance.randint(0, 20)]),
        unwell_days=chance.choice([0, 0, chance.randint(1, 30)]),
        log_source=chance.choice(["diary", "diary", "device", "mixed"]),
        sessions_score=Fraction(chance.randint(0, 100)) if chance.random() < 0.95 else None,
    )


def children_alike(count: int, **changes: object) -> list[ChildRecord]:
    """``count`` children alike in everything, their scores spread over all bands."""
    alike = replace(TYPICAL, **changes)  # type: ignore[arg-type]
    return [replace(alike, sessions_score=Fraction(20 + 35 * (at % 3))) for at in range(count)]


any_child = st.builds(
    ChildRecord,
    age_years=st.integers(0, 18),
    sex=st.sampled_from(["female", "male", "other", "unknown"]),
    condition=st.sampled_from(_CONDITIONS),
    techniques=st.frozensets(st.sampled_from(["opep", "pep", "exercise", "mi-e"]), max_size=3),
    observed_days=st.sampled_from([10, 100, 181]),
    unlogged_days=st.integers(0, 184),
    paused_days=st.integers(0, 60),
    unwell_days=st.integers(0, 60),
    log_source=st.sampled_from(["diary", "device", "mixed", "none"]),
    sessions_score=st.none() | st.fractions(0, 100),
    rule_version=st.just("1"),
    half_year=st.just("2026-H1"),
)
