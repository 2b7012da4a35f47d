"""``airway store verify`` finds whatever was spoilt behind the record's back; reindex mends it."""

from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from engines import ENGINES
from record_samples import AUTHOR, numbered, observation, patient
from search_language import found_by, parameters
from sqlalchemy import Connection, delete, insert, update

from service.fhir.json import JsonObject
from service.fhir.search.terms import Condition, IndexRow
from service.record import Delete, Record, Update
from service.record.drafts import Index
from service.record.upkeep import Difference, reindex, verify
from service.store import tables
from service.store.contract import Store

SEVERAL = 450
"""More than two portions."""


def whole() -> Index:
    return found_by


def without_status() -> Index:
    """As an operator's parameters might change: one fewer."""

    def index(resource: JsonObject) -> list[IndexRow]:
        return [row for row in found_by(resource) if row.parameter != "status"]

    return index


@pytest.fixture(params=ENGINES)
def store(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Store]:
    opened = ENGINES[request.param](tmp_path)
    yield opened
    opened.close()


@pytest.fixture
def record(store: Store, validator: Any, clock: Any) -> Record:
    record = Record(store, validator, clock, parameters())
    record.write([Update(numbered(number, id=f"o-{number}")) for number in range(3)], AUTHOR)
    record.write([Update(observation(1, id="twice"))], AUTHOR)
    record.write([Update(observation(2, id="twice"))], AUTHOR)
    record.write([Update(patient(id="gone"))], AUTHOR)
    record.write([Delete("Patient", "gone")], AUTHOR)
    return record


def flaws(store: Store, build: Callable[[], Index] = whole, workers: int = 1) -> list[Difference]:
    return [one for _, found in verify(store, build, workers=workers) for one in found]


def test_what_the_record_wrote_agrees(store: Store, record: Record) -> None:
    assert flaws(store) == []
    assert sum(count for count, _ in verify(store, whole, workers=1)) == 3 + 1 + 1 + 5


def spoil(store: Store, *statements: Any) -> None:
    with store.begin() as work:
        connection: Connection = work._connection  # type: ignore[attr-defined]
        for statement in statements:
            connection.execute(statement)


TOKEN = {
    "resource": 99_999, "parameter": "code", "system": "s", "code": "c", "type": "Observation",
}  # fmt: skip
VERSION, RESOURCE, OUTBOX = tables.version, tables.resource, tables.outbox
OF_TWICE = VERSION.c.id == "twice"
SPOILT: dict[str, tuple[list[Any], set[str]]] = {
    "a line of the index is gone": (
        [delete(tables.token).where(tables.token.c.code == "1")],
        {"it is not found by what it says"},
    ),
    "a line of the index is wrong": (
        [update(tables.token).where(tables.token.c.code == "1").values(code="7")],
        {"it is not found by what it says"},
    ),
    "a deleted resource is found": (
        [insert(tables.token).from_select(
            ["resource", "parameter", "system", "code", "type"],
            tables.metadata.tables["resource"].select().with_only_columns(
                RESOURCE.c.key, RESOURCE.c.type, RESOURCE.c.type, RESOURCE.c.type, RESOURCE.c.type
            ).where(RESOURCE.c.id == "gone"),
        )],
        {"it is not found by what it says"},
    ),
    "the index knows what is not there": (
        [insert(tables.token).values(TOKEN)],
        {"the index has lines of a resource that is not there"},
    ),
    "the first version is gone": (
        [
            delete(OUTBOX).where(OUTBOX.c.id == "twice", OUTBOX.c.version == 1),
            delete(VERSION).where(OF_TWICE, VERSION.c.version == 1),
        ],
        {"its versions do not count 1, 2, 3 without a gap"},
    ),
    "the outbox lacks a line": (
        [delete(OUTBOX).where(OUTBOX.c.id == "twice", OUTBOX.c.version == 1)],
        {"the outbox does not tell of every version"},
    ),
    "the outbox tells of another version": (
        [update(OUTBOX).where(OUTBOX.c.id == "o-1").values(version=5)],
        {"the outbox does not tell of every version"},
    ),
    "the pointer points at the version before": (
        [update(RESOURCE).where(RESOURCE.c.id == "twice").values(
            current=tables.version.select().with_only_columns(VERSION.c.number).where(
                OF_TWICE, VERSION.c.version == 1
            ).scalar_subquery()
        )],
        {"its current version is not its last one", "it is not found by what it says"},
    ),
    "the pointer points nowhere": (
        [update(RESOURCE).where(RESOURCE.c.id == "twice").values(current=99_999)],
        {"its current version is not its last one"},
    ),
    "the resource is said to be deleted": (
        [update(RESOURCE).where(RESOURCE.c.id == "twice").values(deleted=True)],
        {"its current version is not its last one"},
    ),
    "versions without their resource": (
        [delete(table).where(table.c.resource == RESOURCE.select().with_only_columns(
            RESOURCE.c.key).where(RESOURCE.c.id == "o-2").scalar_subquery())
         for table in tables.INDEX]
        + [delete(RESOURCE).where(RESOURCE.c.id == "o-2")],
        {"there are versions of it, but it is not there"},
    ),
    "half a text": (
        [update(VERSION).where(VERSION.c.id == "o-1").values(body=b'{"resourceType":"Obs')],
        {"its text cannot be read: not JSON: Unterminated string starting at"},
    ),
    "the text of another": (
        [update(VERSION).where(VERSION.c.id == "o-1").values(
            body=VERSION.select().with_only_columns(VERSION.c.body).where(
                VERSION.c.id == "o-2").scalar_subquery())],
        {"its text is that of something else", "it is not found by what it says"},
    ),
}  # fmt: skip


@pytest.mark.parametrize("how", SPOILT)
def test_what_was_spoilt_is_found(store: Store, record: Record, how: str) -> None:
    statements, told = SPOILT[how]
    spoil(store, *statements)
    assert {one.told for one in flaws(store)} == told


@pytest.mark.parametrize("how", list(SPOILT)[:3])
def test_a_spoilt_index_is_mended(store: Store, record: Record, how: str) -> None:
    spoil(store, *SPOILT[how][0])
    changed = [one for _, found in reindex(store, whole, "d1", workers=1) for one in found]
    assert len(changed) == 1
    assert flaws(store) == []
    assert [found for _, found in reindex(store, whole, "d1", workers=1) if found] == []


def test_after_parameters_changed(store: Store, record: Record) -> None:
    many = [observation(number, id=f"many-{number}") for number in range(SEVERAL)]
    record.write_each([Update(one) for one in many], AUTHOR)
    final = [Condition.has_token("status", "http://hl7.org/fhir/observation-status", "final")]
    plain = [replace(final[0], values=(replace(final[0].values[0], system=None),))]
    before = record.total(AUTHOR, "Observation", plain)
    assert before == SEVERAL + 4
    assert len(flaws(store, without_status, workers=2)) == before
    events = record.events(0, 10_000)
    changed = [one for _, found in reindex(store, without_status, "d2", workers=2) for one in found]
    assert len(changed) == before
    assert record.total(AUTHOR, "Observation", plain) == 0
    assert flaws(store, without_status) == []
    assert record.events(0, 10_000) == events


def test_what_is_written_meanwhile_is_left_to_its_writer(store: Store, record: Record) -> None:
    def writing_meanwhile() -> Index:
        def index(resource: JsonObject) -> list[IndexRow]:
            if resource["id"] == "o-1" and resource["meta"]["versionId"] == "1":
                record.write([Update(numbered(8, id="o-1"))], AUTHOR)
            return without_status()(resource)

        return index

    changed = [
        one.id for _, found in reindex(store, writing_meanwhile, "d1", workers=1) for one in found
    ]
    assert sorted(changed) == ["o-0", "o-2", "twice"]
    left = [one for one in flaws(store, without_status) if one.type == "Observation"]
    assert [one.id for one in left] == ["o-1"]
    assert flaws(store, whole) != []
