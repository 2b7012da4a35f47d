"""The clinic's own thresholds decide which cautions a programme raises over HTTP."""

from pathlib import Path

import pytest
from api_client import Client, client_of
from programme_documents import programme
from set_clock import Clock

from service.api.app import create_app
from service.compose import open_services
from service.programme.checks.clinic import PolicyError
from service.settings import Settings


def test_a_clinic_sets_its_own_age_for_a_mouthpiece(client: Client, tmp_path: Path) -> None:
    """The child is nine: old enough by the default, not where the clinic says twelve."""
    assert client.post("/programmes", programme()).status_code == 201
    own = tmp_path / "policy.toml"
    own.write_text("[mouthpiece_minimum_age]\nopep = 12\n", encoding="utf-8")
    settings = Settings(store=tmp_path / "own.sqlite", policy=own)
    with open_services(settings, Clock()) as services, client_of(create_app(services)) as stricter:
        answer = stricter.post("/programmes", programme())
    assert answer.status_code == 422
    issue = answer.json()["issue"]
    assert [one["details"]["coding"][0]["code"] for one in issue] == ["mouthpiece-under-age"]


def test_a_policy_that_cannot_be_understood_stops_the_start(tmp_path: Path) -> None:
    own = tmp_path / "policy.toml"
    own.write_text('cautions = ["anything"]\n', encoding="utf-8")
    settings = Settings(store=tmp_path / "own.sqlite", policy=own)
    with pytest.raises(PolicyError, match="anything"), open_services(settings, Clock()):
        pass
