"""The engines. A new one is added here; the tests know none of them."""

from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from service.store.contract import Store
from service.store.sqlite import SqliteStore

ENGINES: dict[str, Callable[[Path], Store]] = {
    "sqlite": lambda folder: SqliteStore(folder / "store.db"),
}


@pytest.fixture(params=ENGINES)
def open_store(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Callable[[], Store]]:
    """Opens the same store, again and again."""
    opened: list[Store] = []

    def open_it() -> Store:
        opened.append(ENGINES[request.param](tmp_path))
        return opened[-1]

    yield open_it
    for store in opened:
        store.close()


@pytest.fixture
def store(open_store: Callable[[], Store]) -> Store:
    return open_store()
