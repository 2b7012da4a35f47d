"""``airway assess-safety`` over a record in a file."""

from datetime import UTC, datetime
from pathlib import Path

import pytest
from safety_family import PROGRAMME, TEAM, session
from set_clock import Clock
from typer.testing import CliRunner, Result

from service.cli import app
from service.compose import build_record, build_validator, open_store
from service.fhir.json import write
from service.record.programmes import Programmes


def _asked(store: Path) -> Result:
    return CliRunner().invoke(app, ["assess-safety", "--store", str(store)])


@pytest.fixture(scope="module")
def store(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A child whose review was due long ago, by whatever clock."""
    path = tmp_path_factory.mktemp("record") / "record.sqlite"
    clock = Clock()
    clock.now = datetime(2025, 1, 1, 9, tzinfo=UTC)
    plan = PROGRAMME | {"start": "2025-01-01", "review": {"due": "2025-06-01"}}
    with open_store(path) as opened:
        Programmes(build_record(opened, build_validator(), clock), clock).post(plan, TEAM)
    return path


def test_every_child_is_looked_through_and_told_once(store: Path) -> None:
    first, again = _asked(store), _asked(store)
    assert first.exit_code == again.exit_code == 0, first.output
    assert first.stdout.splitlines() == [
        "       1 review-overdue",
        "1 children, 1 findings, 2 resources written",
    ]
    assert again.stdout.splitlines()[-1] == "1 children, 1 findings, 0 resources written"
    assert "Matchbox" not in first.output


def test_the_clinic_s_file_counts(
    store: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    policy = tmp_path / "policy.toml"
    policy.write_text("[safety.thresholds.review-overdue]\ndays = 100000\n", encoding="utf-8")
    monkeypatch.setenv("AIRWAY_POLICY", str(policy))
    assert _asked(store).stdout.splitlines()[-1].startswith("1 children, 0 findings")
    policy.write_text("[safety]\nrules = ['fortune-telling']\n", encoding="utf-8")
    refused = _asked(store)
    assert refused.exit_code == 2
    assert "fortune-telling is no safety rule" in refused.output


def test_a_loaded_sign_prints_what_the_family_is_told(store: Path, tmp_path: Path) -> None:
    file = tmp_path / "diary.ndjson"
    start = {"start": "2025-02-01T07:00:00+01:00"}
    says = [{"chestPain": True}, {"blood": {"seen": "streaks"}}]
    rows = [session(number, **one, **start) for number, one in enumerate(says)]
    file.write_bytes(b"".join(write(row) + b"\n" for row in rows))
    told = CliRunner().invoke(app, ["load", str(file), "--store", str(store)]).stdout
    assert "Stop, and do what the plan says" in told
    assert "Carry on as the plan says" in told
    findings = _asked(store).stdout
    assert "1 chest-pain" in findings
    assert "1 blood-scant" in findings
