"""What ``docker-compose.yml`` promises. Its form is checked against the Compose Specification's
meaning of each key (docs.docker.com/reference/compose-file), written down here by hand."""

import re
from pathlib import Path
from typing import Any

import pytest
import yaml

HOME = Path(__file__).resolve().parents[2]
TEXT = (HOME / "docker-compose.yml").read_text(encoding="utf-8")


@pytest.fixture
def services() -> Any:
    return yaml.safe_load(TEXT)["services"]


def test_nothing_is_published_beyond_this_computer(services: Any) -> None:
    published = [port for one in services.values() for port in one.get("ports", [])]
    assert published == ["127.0.0.1:8000:8000"]


def test_there_is_no_default_password_and_its_absence_is_told(services: Any) -> None:
    asked = re.findall(r"\$\{(\w+)(:?[?-])([^}]*)\}", TEXT)
    assert {(name, how) for name, how, _ in asked} == {("POSTGRES_PASSWORD", ":?")}
    assert all("POSTGRES_PASSWORD" in told for _, _, told in asked)
    secrets = [
        value
        for one in services.values()
        for name, value in one["environment"].items()
        if "PASSWORD" in name
    ]
    assert len(secrets) == 2
    assert all(value.startswith("${POSTGRES_PASSWORD:?") for value in secrets)


def test_the_service_waits_for_a_healthy_database(services: Any) -> None:
    waits = services["airway"]["depends_on"]
    assert waits == {"database": {"condition": "service_healthy"}}
    assert all("healthcheck" in one for one in services.values())


def test_nothing_is_written_but_to_volumes_and_memory(services: Any) -> None:
    for one in services.values():
        assert one["read_only"] is True
        assert one["cap_drop"] == ["ALL"]
        assert "no-new-privileges:true" in one["security_opt"]
    assert services["database"]["volumes"] == ["record:/var/lib/postgresql"]


def test_the_settings_are_those_that_the_service_has(services: Any) -> None:
    from service.settings import Settings

    own = {name for name in services["airway"]["environment"] if name.startswith("AIRWAY_")}
    assert own <= {f"AIRWAY_{name.upper()}" for name in Settings.model_fields}
