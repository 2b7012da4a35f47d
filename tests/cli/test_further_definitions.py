"""Profiles of an operator, from a folder or a package, are checked where they are asked for."""

import json
from pathlib import Path

import pytest
from typer.testing import CliRunner

from service.cli import app
from service.fhir.package import write_package

URL = "https://clinic.example/fhir/StructureDefinition/named-child"
PROFILE = {
    "resourceType": "StructureDefinition",
    "id": "named-child",
    "url": URL,
    "version": "1.0.0",
    "name": "NamedChild",
    "status": "draft",
    "kind": "resource",
    "abstract": False,
    "type": "Patient",
    "baseDefinition": "http://hl7.org/fhir/StructureDefinition/Patient",
    "derivation": "constraint",
    "differential": {"element": [{"id": "Patient.name", "path": "Patient.name", "min": 1}]},
}


@pytest.fixture(params=["folder", "package"])
def definitions(request: pytest.FixtureRequest, tmp_path: Path) -> Path:
    if request.param == "folder":
        (tmp_path / "named-child.json").write_text(json.dumps(PROFILE), encoding="utf-8")
        return tmp_path
    return write_package(
        tmp_path / "clinic.tgz",
        name="example.clinic",
        version="1.0.0",
        canonical="https://clinic.example/fhir",
        resources=[PROFILE],
        dependencies={},
    )


def checked(*options: str) -> str:
    patient = json.dumps({"resourceType": "Patient", "meta": {"profile": [URL]}})
    return CliRunner().invoke(app, ["check", "-", *options], input=patient).stdout


def test_a_further_profile_is_checked(definitions: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    assert "[profile-unknown]" in checked()
    monkeypatch.setenv("AIRWAY_DEFINITIONS", str(definitions))
    assert "error [cardinality-min]: Patient: Patient.name: it is missing" in checked()


def test_definitions_that_are_not_there(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("AIRWAY_DEFINITIONS", "nowhere")
    result = CliRunner().invoke(app, ["check", "-"], input="{}")
    assert result.exit_code == 2
    assert "nowhere" in result.stderr
