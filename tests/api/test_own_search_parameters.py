"""A SearchParameter of the operator's own: served from the next start on, and what is kept already
is found by it once the store was indexed again."""

import asyncio
import json
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest
from api_client import Client, client_of, issues, resource
from pydantic import SecretStr
from set_clock import Clock
from structlog.testing import capture_logs
from typer.testing import CliRunner

from service.api.app import create_app
from service.cli import app
from service.compose import open_services
from service.settings import Settings

pytestmark = pytest.mark.engines

WARD = "https://clinic.example/ward"
OWN: dict[str, Any] = {
    "resourceType": "SearchParameter",
    "id": "patient-ward",
    "url": "https://clinic.example/SearchParameter/patient-ward",
    "name": "PatientWard",
    "status": "active",
    "description": "The ward where a child is known",
    "code": "ward",
    "base": ["Patient"],
    "type": "string",
    "expression": f"Patient.extension('{WARD}').value",
}
REINDEX = "airway store reindex"


def child(id_: str, ward: str) -> dict[str, Any]:
    return {
        "resourceType": "Patient",
        "id": id_,
        "extension": [{"url": WARD, "valueString": ward}],
    }


@pytest.fixture
def definitions(tmp_path: Path) -> Path:
    folder = tmp_path / "definitions"
    folder.mkdir()
    (folder / "ward.json").write_text(json.dumps(OWN))
    return folder


@contextmanager
def served(settings: Settings, *definitions: Path) -> Iterator[Client]:
    own = settings.model_copy(update={"definitions": definitions})
    with open_services(own, Clock()) as services, client_of(create_app(services)) as client:
        yield client


def told_at_start(settings: Settings, *definitions: Path) -> list[str]:
    own = settings.model_copy(update={"definitions": definitions})
    with open_services(own, Clock()) as services, capture_logs() as lines:
        roads = create_app(services).own

        async def start() -> None:
            async with roads.router.lifespan_context(roads):
                pass

        asyncio.run(start())
    return [f"{line['event']} {line.get('why', '')}" for line in lines]


def reindex(settings: Settings, definitions: Path, monkeypatch: pytest.MonkeyPatch) -> str:
    store = settings.store
    where = store.get_secret_value() if isinstance(store, SecretStr) else str(store)
    with monkeypatch.context() as environment:
        environment.setenv("AIRWAY_DEFINITIONS", str(definitions))
        result = CliRunner().invoke(app, ["store", "reindex", "--store", where])
    assert result.exit_code == 0, result.output
    return result.stdout


def warnings(client: Client) -> list[str]:
    answer = client.get("/health/ready")
    assert answer.status_code == 200
    told: list[str] = answer.json().get("warnings", [])
    return told


def test_from_the_start_to_the_answer(
    settings: Settings, definitions: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with served(settings) as client:
        assert client.put("/fhir/Patient/early", child("early", "Quay")).status_code == 201
        answer = client.get("/fhir/Patient?ward=quay", prefer="handling=strict")
        assert [issue["expression"] for issue in issues(answer)] == [["http.ward"]]
        assert warnings(client) == []
    with served(settings, definitions) as client:
        assert [REINDEX in told for told in warnings(client)] == [True]
        assert client.put("/fhir/Patient/late", child("late", "Quay")).status_code == 201
        assert client.ids("Patient?ward=quay") == ["late"]
        assert client.ids("SearchParameter?url=" + OWN["url"]) == [OWN["id"]]
        assert resource(client.get(f"/fhir/SearchParameter/{OWN['id']}"))["code"] == "ward"
        assert {"name": "ward", "definition": OWN["url"], "type": "string"} in of_patient(client)
        assert ", 1 indexed again" in reindex(settings, definitions, monkeypatch)
        assert warnings(client) == []
        assert client.ids("Patient?ward=quay&_sort=_id") == ["early", "late"]
        assert client.ids("Observation?patient.ward:exact=Quay") == []
    with served(settings) as client:
        assert [REINDEX in told for told in warnings(client)] == [True]


def of_patient(client: Client) -> list[dict[str, Any]]:
    told = resource(client.get("/fhir/metadata"))["rest"][0]["resource"]
    (patient,) = (one for one in told if one["type"] == "Patient")
    found: list[dict[str, Any]] = patient["searchParam"]
    return found


def test_every_start_says_that_the_index_is_behind(settings: Settings, definitions: Path) -> None:
    assert not [line for line in told_at_start(settings) if REINDEX in line]
    with served(settings) as client:
        assert client.put("/fhir/Patient/early", child("early", "Quay")).status_code == 201
    assert not [line for line in told_at_start(settings) if REINDEX in line]
    assert len([line for line in told_at_start(settings, definitions) if REINDEX in line]) == 1


def test_a_new_record_is_indexed_by_whatever_there_is(
    settings: Settings, definitions: Path
) -> None:
    for folders in ((), (definitions,)):
        with served(settings, *folders) as client:
            assert warnings(client) == []


def test_what_cannot_be_served_is_told_and_the_rest_is(
    settings: Settings, definitions: Path
) -> None:
    broken = OWN | {"id": "b", "url": "https://clinic.example/SearchParameter/b", "code": "name"}
    (definitions / "broken.json").write_text(json.dumps(broken))
    (line,) = (line for line in told_at_start(settings, definitions) if "SearchParameter" in line)
    assert broken["url"] in line
    assert "Patient has a parameter name already" in line
    with served(settings, definitions) as client:
        assert client.ids("SearchParameter?url=" + broken["url"]) == []
        assert client.ids("Patient?ward=x") == []
