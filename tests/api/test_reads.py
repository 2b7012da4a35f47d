"""Single reads are gathered: each has its own answer, and many cost few look-ups."""

import asyncio
import math
import re
from collections.abc import Collection
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from search_language import parameters
from store_samples import version

from service.api.places import Places
from service.api.reads import MOST_AT_ONCE, Reads
from service.record import Actor, Record
from service.record.errors import Gone, NotFound, RecordError
from service.store.contract import Entry, Key, Version
from service.store.sqlite import SqliteStore

NURSE, STRANGER = Actor("a nurse"), Actor("a stranger")


class Guarded(Record):
    """A record that shows a stranger nothing."""

    def see(self, caller: Actor, version: Version) -> Version | None:
        return None if caller is STRANGER else version


class Counting(SqliteStore):
    """Remembers how many resources each look-up asked for, and can be broken."""

    broken = False

    def __init__(self, path: Path) -> None:
        super().__init__(path)
        self.asked: list[int] = []

    async def current_soon(self, keys: Collection[Key]) -> dict[Key, Version]:
        self.asked.append(len(keys))
        if self.broken:
            raise RuntimeError("the disk is gone")
        return await super().current_soon(keys)


@pytest.fixture
def store(tmp_path: Path) -> Any:
    made = Counting(tmp_path / "store.db")
    entries = [Entry(version(f"o{number}")) for number in range(600)]
    with made.begin() as work:
        work.write([*entries, Entry(version("gone")), Entry(version("gone", 2, deleted=True))])
    yield made
    made.close()


def ask(store: Counting, asked: list[tuple[Actor, str]]) -> tuple[list[Any], list[int]]:
    """The answers to reads that are asked for at the same time, and the sizes of look-ups."""
    sizes: list[int] = []

    async def together() -> list[Any]:
        reads = Reads(Guarded(store, None, None, parameters()), sizes.append)  # type: ignore[arg-type]
        each = (reads.one(caller, "Observation", id_) for caller, id_ in asked)
        return await asyncio.gather(*each, return_exceptions=True)

    return asyncio.run(together()), sizes


def test_many_reads_are_few_look_ups_with_an_answer_each(store: Counting) -> None:
    answers, sizes = ask(store, [(NURSE, f"o{number}") for number in range(600)])
    assert [one.id for one in answers] == [f"o{number}" for number in range(600)]
    assert sum(sizes) == 600
    assert max(sizes) <= MOST_AT_ONCE
    assert len(store.asked) == len(sizes) == math.ceil(600 / MOST_AT_ONCE)


def test_each_sees_what_its_own_caller_may(store: Counting) -> None:
    asked = [(NURSE, "o1"), (STRANGER, "o1"), (NURSE, "gone"), (NURSE, "none"), (NURSE, "o1")]
    answers, _ = ask(store, asked)
    kinds = [type(one) for one in answers]
    assert kinds == [Version, NotFound, Gone, NotFound, Version]
    assert str(answers[1].findings) == str(ask(store, [(STRANGER, "none")])[0][0].findings).replace(
        "none", "o1"
    ), "what may not be seen cannot be told from what is not there"


def test_an_error_of_the_store_reaches_each_and_the_next_look_up_is_made(store: Counting) -> None:
    async def visit() -> None:
        reads = Reads(Record(store, None, None, parameters()), lambda _: None)  # type: ignore[arg-type]
        store.broken = True
        both = (reads.one(NURSE, "Observation", id_) for id_ in ("o1", "o2"))
        failed = await asyncio.gather(*both, return_exceptions=True)
        assert [type(one) for one in failed] == [RuntimeError, RuntimeError]
        store.broken = False
        assert (await reads.one(NURSE, "Observation", "o1")).id == "o1"

    asyncio.run(visit())


def test_a_request_that_is_given_up_leaves_the_others(store: Counting) -> None:
    async def visit() -> None:
        reads = Reads(Record(store, None, None, parameters()), lambda _: None)  # type: ignore[arg-type]
        tasks = [
            asyncio.create_task(reads.one(NURSE, "Observation", f"o{number}"))
            for number in range(4)
        ]
        await asyncio.sleep(0)
        tasks[1].cancel()
        ended = await asyncio.gather(*tasks, return_exceptions=True)
        assert [type(one) for one in ended] == [Version, asyncio.CancelledError, Version, Version]

    asyncio.run(visit())


def test_refusals_are_errors_of_the_record(store: Counting) -> None:
    (answer,), _ = ask(store, [(NURSE, "none")])
    assert isinstance(answer, RecordError)


# -- where a path leads ---------------------------------------------------------------------------

PLACES = Places(
    [
        "",
        "/",
        "/metadata",
        "/_history",
        "/${operation}",
        "/{type}",
        "/{type}/_search",
        "/{type}/_history",
        "/{type}/${operation}",
        "/{type}/{id}",
        "/{type}/{id}/_history",
        "/{type}/{id}/${operation}",
        "/{type}/{id}/_history/{version}",
    ]
)


@pytest.mark.parametrize(
    ("path", "template", "values"),
    [
        ("/fhir", "", {}),
        ("/fhir/", "/", {}),
        ("/fhir/metadata", "/metadata", {}),
        ("/fhir/_history", "/_history", {}),
        ("/fhir/$load", "/${operation}", {"operation": "load"}),
        ("/fhir/Patient", "/{type}", {"type": "Patient"}),
        ("/fhir/Patient/_search", "/{type}/_search", {"type": "Patient"}),
        ("/fhir/Patient/a.b-1", "/{type}/{id}", {"type": "Patient", "id": "a.b-1"}),
        (
            "/fhir/Patient/1/$everything",
            "/{type}/{id}/${operation}",
            {"type": "Patient", "id": "1", "operation": "everything"},
        ),
        (
            "/fhir/Patient/1/_history/2",
            "/{type}/{id}/_history/{version}",
            {"type": "Patient", "id": "1", "version": "2"},
        ),
    ],
)
def test_a_path_has_one_place(path: str, template: str, values: dict[str, str]) -> None:
    assert PLACES.find(path) == (template, values)


@pytest.mark.parametrize(
    "path", ["/fhir/Patient/", "/fhir//1", "/fhir/Patient/1/", "/fhir/Patient/1/2/3/4", "/fhir//"]
)
def test_other_paths_lead_nowhere(path: str) -> None:
    assert PLACES.find(path) is None


@given(st.lists(st.text("aZ0-._$é%/ ", max_size=8), max_size=6))
def test_whatever_is_found_spells_the_path_again(parts: list[str]) -> None:
    path = "/fhir" + "".join(f"/{part}" for part in parts)
    found = PLACES.find(path)
    if found is not None:
        template, values = found
        whole = template.replace("${", "{").replace("{operation}", "${operation}")
        spelled = re.sub(r"\{(\w+)\}", lambda name: values[name.group(1)], whole)
        assert f"/fhir{spelled}" == path
