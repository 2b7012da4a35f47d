"""The whole application: a new store, our profiles, a clock that is set."""

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest
from api_client import Client, client_of
from engines import ENGINES, postgres_address
from set_clock import Clock

from service.api.app import create_app
from service.api.services import Services
from service.compose import build_record, open_services, open_store
from service.settings import Settings


@pytest.fixture(scope="session")
def shipped(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Services]:
    """Definitions and validator, made once; nothing is ever written to this record."""
    path = tmp_path_factory.mktemp("shipped") / "record.sqlite"
    with open_services(Settings(store=path), Clock()) as opened:
        yield opened


@pytest.fixture
def clock() -> Clock:
    return Clock()


def pytest_generate_tests(metafunc: pytest.Metafunc) -> None:
    """Tests marked ``engines`` run on every engine, the others on SQLite."""
    if "engine" in metafunc.fixturenames and metafunc.definition.get_closest_marker("engines"):
        metafunc.parametrize("engine", ENGINES)


@pytest.fixture
def engine() -> str:
    return "sqlite"


@pytest.fixture
def settings(tmp_path: Path, engine: str) -> Settings:
    if engine == "postgresql":
        return Settings(store=postgres_address(tmp_path))
    return Settings(store=tmp_path / "record.sqlite")


@pytest.fixture
def services(shipped: Services, settings: Settings, clock: Clock) -> Iterator[Services]:
    with open_store(settings.store) as store:
        record = build_record(store, shipped.validator, clock, parameters=shipped.parameters)
        yield replace(shipped, settings=settings, record=record, clock=clock)


@pytest.fixture
def client(services: Services) -> Iterator[Client]:
    with client_of(create_app(services)) as made:
        yield made
