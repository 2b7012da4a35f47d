"""The whole application: a new store, our profiles, a clock that is set."""

from collections.abc import Iterator
from pathlib import Path

import pytest
from api_client import Client, Clock, client_of

from service.api.app import create_app
from service.api.services import Services
from service.compose import open_services
from service.settings import Settings


@pytest.fixture
def clock() -> Clock:
    return Clock()


@pytest.fixture
def settings(tmp_path: Path) -> Settings:
    return Settings(store=tmp_path / "record.sqlite")


@pytest.fixture
def services(settings: Settings, clock: Clock) -> Iterator[Services]:
    with open_services(settings, clock) as opened:
        yield opened


@pytest.fixture
def client(services: Services) -> Iterator[Client]:
    with client_of(create_app(services)) as made:
        yield made
