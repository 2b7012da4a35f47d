"""What the pages say is what the software does."""

import tomllib
from pathlib import Path

from readme import commands
from typer.testing import CliRunner

from service.cli import app
from service.fhir.json import read
from service.fhir.search.parameters import SearchParameters
from service.programme.checks.clinic import policy_of
from service.settings import DANGER, Settings

HOME = Path(__file__).resolve().parents[2]
README = (HOME / "README.md").read_text(encoding="utf-8")
DEVELOPERS = (HOME / "DEVELOPERS.md").read_text(encoding="utf-8")


def test_the_first_paragraph_states_the_job() -> None:
    first = README.split("\n\n")[1]
    assert "airway-clearance" in first
    assert "CarePlan" in first


def test_every_command_is_in_the_help_with_an_example() -> None:
    runner = CliRunner()
    for name in (
        "demo", "serve", "load", "check", "adherence", "assess-safety", "extract", "profiles pack",
        "store verify", "store reindex",
    ):  # fmt: skip
        told = runner.invoke(app, [*name.split(), "--help"])
        assert told.exit_code == 0
        assert f"Example: airway {name}" in told.stdout


def test_the_cautions_stand_before_the_first_command() -> None:
    before = README.partition("<!-- command: run -->")[0].replace("> ", "").replace("**", "")
    for words in (
        "not a medical device",
        "Nobody watches the logs",
        "never changes a prescription",
    ):
        assert words in " ".join(before.split())


def test_every_setting_that_names_a_danger_or_a_file_is_explained() -> None:
    assert DANGER in (HOME / "docker-compose.yml").read_text(encoding="utf-8")
    assert "AIRWAY_POLICY" in DEVELOPERS
    for name in Settings.model_fields:
        assert f"AIRWAY_{name.upper()}" in DEVELOPERS, name


def test_the_example_of_a_clinic_s_policy_is_understood() -> None:
    example = DEVELOPERS.partition("```toml\n")[2].partition("```")[0]
    policy = policy_of(tomllib.loads(example))
    assert policy.require_screen
    assert policy.precautions["rib-fracture"] == "blocking"
    assert policy.minimum_age == {"hfcwo": 3}


def test_the_readme_names_its_commands_for_those_who_run_them() -> None:
    assert {"run", "test", "serve", "engineer", "check", "app", "logs", "registry"} <= set(
        commands()
    )


def test_every_room_is_on_the_map() -> None:
    rooms = [one.name for one in (HOME / "service").iterdir() if (one / "__init__.py").is_file()]
    for room in rooms:
        assert f"`service/{room}`" in DEVELOPERS, room


def test_the_search_parameter_on_the_page_is_served() -> None:
    section = DEVELOPERS.partition("## How search works")[2]
    text = section.partition("```json\n")[2].partition("```")[0]
    known = SearchParameters.of(["Patient"], [read(text)])
    assert known.refused == ()
    assert "ward" in known.of_type("Patient")
