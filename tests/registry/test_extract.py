"""Releases out of a record: who is in them, what never leaves, and that they stay the same."""

import json
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, datetime
from fractions import Fraction
from pathlib import Path
from typing import Any

import pytest
from registry_children import RULES
from registry_clinic import AFTERWARDS, BY, CANARIES, DUE, RegistryClinic
from set_clock import Clock

from service.compose import build_record, build_validator, open_store
from service.record import Delete, Record
from service.registry.children import ChildRecord
from service.registry.collect import children
from service.registry.consent import Terms
from service.registry.errors import NotReleasable
from service.registry.extract import release
from service.registry.half_year import HalfYear
from service.store.sqlite import SqliteStore

_HALF_YEAR = HalfYear.parse("2026-H1")
_NAME = "adherence/2026-H1"


@pytest.fixture(scope="module")
def validator() -> Any:
    return build_validator()


@pytest.fixture
def clock() -> Clock:
    return Clock()


@pytest.fixture
def store(tmp_path: Path) -> Iterator[SqliteStore]:
    with open_store(tmp_path / "record.sqlite") as made:
        yield made


@pytest.fixture
def record(store: SqliteStore, validator: Any, clock: Clock) -> Record:
    return build_record(store, validator, clock)


@pytest.fixture
def clinic(record: Record, clock: Clock) -> RegistryClinic:
    """Six children: three do 4 of 16 sessions, three do 8."""
    made = RegistryClinic(record, clock)
    for number in range(1, 7):
        made.child(number, done=4 if number % 2 else 8)
    return made


def _collected(record: Record, **terms: Any) -> list[ChildRecord]:
    return list(children(record, _HALF_YEAR, AFTERWARDS, Terms(**terms), _GROUPS))


_GROUPS = {"http://snomed.info/sct|190905008": "cystic-fibrosis"}


def test_what_is_collected_of_a_child(clinic: RegistryClinic, record: Record) -> None:
    """Worked by hand: from 15 to 30 June 16 sessions are due; the first 4 or 8 are logged."""
    found = sorted(_collected(record), key=lambda child: child.observed_days)
    expected = {
        "age_years": 8,  # born in March 2017
        "sex": "female",
        "condition": "cystic-fibrosis",
        "techniques": {"opep"},
        "paused_days": 0,
        "unwell_days": 0,
        "log_source": "diary",
        "half_year": "2026-H1",
    }
    for child in found:
        assert {name: getattr(child, name) for name in expected} == expected
    assert [(child.observed_days, child.unlogged_days) for child in found] == [(4, 12)] * 3 + [
        (8, 8)
    ] * 3
    assert [child.sessions_score for child in found] == [Fraction(100 * 4, DUE)] * 3 + [
        Fraction(50)
    ] * 3


def test_the_release_of_six_children_alike(clinic: RegistryClinic, record: Record) -> None:
    released = release(record, _HALF_YEAR, clinic.clock)
    rows = [json.loads(line) for line in released.ndjson.splitlines()]
    assert len(rows) == 6
    assert {row["techniques"] for row in rows} == {"opep"}
    assert [row["adherence_band"] for row in rows] == ["0 to under 35"] * 3 + ["35 to under 80"] * 3
    assert released.summary["k"] == 6
    assert released.summary["suppressed"] == 0


def test_no_canary_leaves(
    clinic: RegistryClinic, record: Record, capfd: pytest.CaptureFixture[str]
) -> None:
    """Cases of hidden identifiers: ids, links, display, narrative, contained parts, free text."""
    released = release(record, _HALF_YEAR, clinic.clock)
    kept = record.release(_NAME)
    assert kept is not None
    written = [released.manifest, released.ndjson, released.csv, released.codebook, kept.body]
    told = capfd.readouterr()
    for text in [*(part.decode() for part in written), kept.name, told.out, told.err]:
        for canary in [*CANARIES, *clinic.patients.values()]:
            assert canary.lower() not in text.lower()


def test_no_canary_is_in_a_refusal(record: Record, clock: Clock) -> None:
    clinic = RegistryClinic(record, clock)
    clinic.child(1, done=4)
    with pytest.raises(NotReleasable) as refused:
        release(record, _HALF_YEAR, clock)
    for canary in [*CANARIES, *clinic.patients.values()]:
        assert canary.lower() not in f"{refused.value} {refused.value.findings}".lower()


def test_only_consented_children_are_collected(clinic: RegistryClinic, record: Record) -> None:
    def no_longer(consent: dict[str, Any]) -> None:
        consent["status"] = "inactive"

    def over(consent: dict[str, Any]) -> None:
        consent["provision"]["period"]["end"] = "2026-06-30"

    def for_another_registry(consent: dict[str, Any]) -> None:
        consent["provision"]["actor"] = [
            {
                "role": {"text": "recipient"},
                "reference": {"reference": "Organization/elsewhere"},
            }
        ]

    for number, change in enumerate((no_longer, over, for_another_registry), start=11):
        clinic.child(number, done=16, consent=False)
        clinic.consent(number, change)
    clinic.child(20, done=16, consent=False)
    clinic.clock.now = AFTERWARDS
    assert len(_collected(record)) == 6
    assert len(_collected(record, recipient="Organization/elsewhere")) == 7


def test_who_comes_of_age_leaves_and_the_age_is_a_setting(
    clinic: RegistryClinic, record: Record
) -> None:
    assert len(_collected(record, age_of_consent=9)) == 0  # they turned nine in March
    assert len(_collected(record, age_of_consent=10)) == 6


def test_patients_that_must_not_be_used_are_left_out(
    clinic: RegistryClinic, record: Record
) -> None:
    clinic.change("Patient", clinic.patients[1], active=False)
    unknown = {"url": "https://example.org/test-data", "valueBoolean": True}
    clinic.change("Patient", clinic.patients[2], modifierExtension=[unknown])
    clinic.record.write([Delete("Patient", clinic.patients[3])], BY)
    assert len(_collected(record)) == 3


def test_a_child_without_a_programme_in_the_half_year_is_left_out(
    clinic: RegistryClinic, record: Record
) -> None:
    clinic.child(31, done=0, start="2026-07-01")
    assert len(_collected(record)) == 6


def test_a_release_is_repeated_byte_for_byte_whatever_happens_later(
    clinic: RegistryClinic, record: Record, validator: Any, tmp_path: Path
) -> None:
    first = release(record, _HALF_YEAR, clinic.clock)
    consent = clinic.consent(1)
    clinic.change("Consent", consent, status="inactive")
    for number in range(40, 46):
        clinic.child(number, done=16)
    clinic.clock.now = datetime(2027, 1, 1, tzinfo=UTC)
    assert release(record, _HALF_YEAR, clinic.clock) == first
    with open_store(tmp_path / "record.sqlite") as again:
        assert (
            release(build_record(again, validator, clinic.clock), _HALF_YEAR, clinic.clock) == first
        )


def test_two_requests_at_once_get_one_release(clinic: RegistryClinic, record: Record) -> None:
    """Each sees its own clock, so two different manifests are made; only one is ever given."""
    clocks = [lambda hour=hour: AFTERWARDS.replace(hour=hour) for hour in (9, 10, 11, 12)]
    with ThreadPoolExecutor(4) as pool:
        given = list(pool.map(lambda clock: release(record, _HALF_YEAR, clock), clocks))
    assert len({one.manifest for one in given}) == 1


def test_while_the_half_year_runs_there_is_no_release(
    clinic: RegistryClinic, record: Record
) -> None:
    clinic.clock.now = datetime(2026, 7, 1, 11, 59, tzinfo=UTC)
    with pytest.raises(NotReleasable, match="not over everywhere"):
        release(record, _HALF_YEAR, clinic.clock)
    assert record.release(_NAME) is None


def test_where_the_policy_cannot_hold_nothing_is_written(record: Record, clock: Clock) -> None:
    clinic = RegistryClinic(record, clock)
    for number in range(1, 5):
        clinic.child(number, done=4 if number % 2 else 8)
    with pytest.raises(NotReleasable, match=f"fewer than {RULES.policy.k} children"):
        release(record, _HALF_YEAR, clock)
    assert record.release(_NAME) is None
    clinic.child(5, done=4)
    assert release(record, _HALF_YEAR, clock).summary["k"] == 5
