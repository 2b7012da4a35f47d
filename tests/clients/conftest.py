"""One server for all clients and each engine; each test brings a family of its own."""

import itertools
from collections.abc import Iterator

import pytest
from engines import ENGINES, postgres_address
from served_process import served

_numbers = itertools.count(1)


@pytest.fixture(scope="session", params=sorted(ENGINES))
def address(
    request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory
) -> Iterator[str]:
    folder = tmp_path_factory.mktemp("clients")
    on_file = request.param == "sqlite"
    store = str(folder / "record.sqlite") if on_file else postgres_address(folder)
    with served(store, folder) as where:
        yield where


@pytest.fixture
def base(address: str) -> str:
    return f"{address}/fhir"


@pytest.fixture
def mark() -> str:
    """What tells this test's family from every other; none is the beginning of another."""
    return f"m{next(_numbers)}x"
