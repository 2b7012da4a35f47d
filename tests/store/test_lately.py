"""What was read lately is answered out of memory only while the store says that it is current."""

import asyncio
from collections.abc import Callable, Iterable
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from store_samples import version

from service.store import lately
from service.store.contract import Entry, Store, Version


def keep(store: Store, *versions: Version) -> None:
    with store.begin() as work:
        work.write([Entry(one) for one in versions])


def soon(store: Store, ids: Iterable[str]) -> Any:
    return asyncio.run(store.current_soon([("Observation", id_) for id_ in ids]))


def test_a_write_is_seen_at_once_whoever_wrote(open_store: Callable[[], Store]) -> None:
    store, another = open_store(), open_store()
    keep(store, version("a"), version("b"))
    assert soon(store, "ab") == soon(store, "ab") == store.current(_keys("ab"))
    keep(another, version("a", 2))
    assert soon(store, "ab") == {_key("a"): version("a", 2), _key("b"): version("b")}
    gone = version("b", 2, deleted=True)
    keep(another, gone)
    assert soon(store, "ab")[_key("b")] == soon(store, "b")[_key("b")] == gone
    keep(another, version("b", 3))
    assert soon(store, "ab")[_key("b")] == version("b", 3)


STEPS = st.tuples(st.sampled_from("abcd"), st.booleans(), st.sets(st.sampled_from("abcdx")))
"""Which resource is written next, whether that deletes it, and what is asked for then."""


@settings(max_examples=30, deadline=None, suppress_health_check=list(HealthCheck))
@given(st.lists(STEPS, max_size=12))
def test_it_is_always_what_the_store_has(store: Store, steps: list[Any]) -> None:
    for id_, deleted, asked in steps:
        before = store.current(_keys(id_)).get(_key(id_))
        keep(store, version(id_, before.version + 1 if before else 1, deleted=deleted))
        assert soon(store, asked) == store.current(_keys(asked))


def test_no_more_is_kept_than_there_is_room_for(
    store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    body = len(version("a").body)
    monkeypatch.setattr(lately, "_MOST_BYTES", 3 * body)
    keep(store, *map(version, "abcde"))
    for asked in ("abc", "de", "abcde", "edcba"):
        assert soon(store, asked) == store.current(_keys(asked))
        assert store._lately._bytes <= 3 * body  # type: ignore[attr-defined]
        assert len(store._lately._kept) <= 3  # type: ignore[attr-defined]


def _key(id_: str) -> tuple[str, str]:
    return "Observation", id_


def _keys(ids: Iterable[str]) -> list[tuple[str, str]]:
    return [_key(id_) for id_ in ids]
