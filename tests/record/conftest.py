"""A record on a new file, checked against R4 and our own profiles, under a clock that is set."""

from collections.abc import Iterator
from functools import cache
from pathlib import Path

import pytest
from search_language import parameters
from set_clock import Clock

from service.fhir.definitions import Definitions
from service.fhir.json import read
from service.fhir.validation import Validator, profile_rules
from service.record import Record
from service.resources import profiles_dir
from service.store.sqlite import SqliteStore


@cache
def _validator() -> Validator:
    rules = profile_rules(read((profiles_dir() / "rules.json").read_bytes()))
    return Validator(Definitions.load(profiles_dir()), rules, rest_references=True)


@pytest.fixture
def validator() -> Validator:
    """Compiled once for all tests."""
    return _validator()


@pytest.fixture
def clock() -> Clock:
    return Clock()


@pytest.fixture
def store(tmp_path: Path) -> Iterator[SqliteStore]:
    made = SqliteStore(tmp_path / "record.db")
    yield made
    made.close()


@pytest.fixture
def record(store: SqliteStore, validator: Validator, clock: Clock) -> Record:
    return Record(store, validator, clock, parameters())
