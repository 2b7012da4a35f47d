"""A store of each engine; the tests know none of them."""

from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from engines import ENGINES

from service.store.contract import Store


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
