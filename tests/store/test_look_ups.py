"""Looking resources up by type and id, and what was current at a time: the same in every engine."""

import asyncio

import pytest
from store_samples import NOON, version

from service.fhir.search.terms import Condition, ReferenceRow
from service.fhir.spans import span_of
from service.store.contract import Entry, Store


def keep(store: Store, *versions: object) -> None:
    with store.begin() as work:
        work.write([Entry(one) for one in versions])  # type: ignore[arg-type]


@pytest.mark.parametrize("asked", [0, 1, 2, 4, 5, 16, 17, 64, 65, 256, 257, 600])
def test_every_number_of_resources_is_found_and_no_other(store: Store, asked: int) -> None:
    keep(store, *(version(f"o{n}") for n in range(600)), version("o1", type_="Patient"))
    keys = [("Observation", f"o{number}") for number in range(asked)]
    wanted = [*keys, ("Patient", "o1"), ("Patient", "o2"), ("Nothing", "o1")]
    found = store.current(wanted)
    assert set(found) == {*keys, ("Patient", "o1")}
    assert all((one.type, one.id) == key for key, one in found.items())
    with store.read() as reader:
        assert reader.current(wanted) == found
    assert asyncio.run(store.current_soon(wanted)) == found


def test_look_ups_on_an_event_loop_at_the_same_time(store: Store) -> None:
    """Ids may be anything that stands in an address, and one that is given up disturbs no other."""
    odd = ["a b", 'x{",}\\', "%(ids)s", "NULL", "é", "'"]
    keep(store, *(version(id_) for id_ in odd))

    async def look_up(id_: str) -> dict[object, object]:
        return dict(await store.current_soon([("Observation", id_), ("Observation", "none")]))

    async def all_at_once() -> list[object]:
        tasks = [asyncio.create_task(look_up(id_)) for id_ in odd * 3]
        await asyncio.sleep(0.001)
        tasks[0].cancel()
        return await asyncio.gather(*tasks, return_exceptions=True)

    first, *others = asyncio.run(all_at_once())
    assert isinstance(first, asyncio.CancelledError) or first == others[5]
    assert others == [{("Observation", id_): version(id_)} for id_ in (odd * 3)[1:]]


def test_a_look_up_has_whole_versions_with_their_deletions(store: Store) -> None:
    gone = version("gone", 2, deleted=True)
    keep(store, version("gone", 1), gone, version("there", 1), version("there", 2))
    found = store.current([("Observation", "gone"), ("Observation", "there")])
    assert found == {
        ("Observation", "gone"): gone,
        ("Observation", "there"): version("there", 2),
    }


@pytest.mark.parametrize(
    ("at", "numbers"),
    [
        ("2031-03-09T12:00:59Z", []),
        ("2031-03-09T12:01:00Z", [1]),
        ("2031-03-09T12:01:59Z", [1]),
        ("2031-03-09T12:02Z", [2]),
        ("2031-03-09T12:01:30+00:00", [1]),
        ("2031-03-09T13:03:30+01:00", [3]),
        ("2031-03-09", [3, 2, 1]),
        ("2031-03", [3, 2, 1]),
        ("2031-03-10", [3]),
        ("2030", []),
    ],
)
def test_what_was_current_at_some_time_of_a_span(store: Store, at: str, numbers: list[int]) -> None:
    """R4 http.html#history. Version n was made n minutes after noon; the third is a deletion."""
    assert NOON.isoformat() == "2031-03-09T12:00:00+00:00"
    keep(store, version("a", 1), version("a", 2), version("a", 3, deleted=True))
    with store.read() as reader:
        for type_, id_ in (("Observation", "a"), ("Observation", None), (None, None)):
            page = reader.history(type_, id_, at=span_of(at), count=10)
            assert [one.version for one in page.versions] == numbers


LONG = "https://elsewhere.example/" + "x" * 700


@pytest.mark.parametrize(
    ("parameter", "target"),
    [
        ("subject", ("Patient", "p1")),
        ("subject", ("Group", "p1")),
        ("subject", ("Patient", "p3")),
        ("performer", ("Patient", "p1")),
        ("based-on", ("", LONG)),
        ("based-on", ("", LONG[:-1])),
    ],
)
def test_what_refers_to_one_resource_is_found_as_by_any_search(
    store: Store, parameter: str, target: tuple[str, str]
) -> None:
    rows = {
        "b": [ReferenceRow("subject", "Patient", "p1"), ReferenceRow("based-on", "", LONG)],
        "a": [ReferenceRow("subject", "Patient", "p1"), ReferenceRow("performer", "Patient", "p1")],
        "c": [ReferenceRow("subject", "Patient", "p2")],
        "d": [ReferenceRow("subject", "Group", "p1")],
    }
    with store.begin() as work:
        work.write([Entry(version(id_), found) for id_, found in rows.items()])
        work.write([Entry(version("o", type_="Task"), rows["a"])])
        work.write([Entry(version("a", 2), rows["a"]), Entry(version("d", 2, deleted=True))])
    condition = Condition.refers_to(parameter, *target)
    with store.read() as reader:
        by_any = reader.search("Observation", [condition], count=10)
        assert reader.search("Observation", [condition]) == by_any
    expected = [
        id_
        for id_, found in rows.items()
        if ReferenceRow(parameter, *target) in found and id_ != "d"
    ]
    assert [one.id for one in by_any.versions] == expected
