"""``airway load``, ``adherence`` and ``extract`` over a record in a file, as in a clinic."""

import csv
import io
import json
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
import worked_example
from set_clock import Clock
from typer.testing import CliRunner, Result

from service.cli import app
from service.compose import build_record, build_validator, open_store
from service.record import Actor
from service.record.programmes import Programmes


def in_the_past(value: Any) -> Any:
    """Commands go by the computer's clock: the fortnight six years earlier, same weekdays."""
    return json.loads(json.dumps(value).replace("2031-", "2025-").replace("2022-", "2016-"))


PROGRAMMES = in_the_past(worked_example.PROGRAMMES)
SESSIONS = [
    *in_the_past(worked_example.SESSIONS),
    {"kind": "health-state", **in_the_past(worked_example.STATE)},
    {"kind": "pause", **in_the_past(worked_example.PAUSE)},
]
ROWS = len(SESSIONS)
FORTNIGHT = ("--from", "2025-03-24", "--to", "2025-04-06")


def airway(store: Path, command: str, *arguments: str) -> Result:
    return CliRunner().invoke(app, [command, *arguments, "--store", str(store)])


@pytest.fixture(scope="module")
def store(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A record that knows the child of the fortnight worked by hand, with both plans."""
    path = tmp_path_factory.mktemp("record") / "record.sqlite"
    clock, by = Clock(), Actor("The clinic's desk")
    clock.now = datetime(2025, 3, 20, 9, tzinfo=UTC)
    with open_store(path) as opened:
        programmes = Programmes(build_record(opened, build_validator(), clock), clock)
        first, second = ({"id": "home-204", **raw} for raw in PROGRAMMES)
        tag = programmes.post(first, by).opened.tag
        programmes.put("home-204", second, by, tag)
    return path


@pytest.fixture(scope="module")
def log(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("log") / "diary.ndjson"
    path.write_text("\n".join(map(json.dumps, SESSIONS)), encoding="utf-8")
    return path


@pytest.fixture(scope="module")
def loaded(store: Path, log: Path) -> Result:
    return airway(store, "load", str(log))


def test_the_same_file_twice(store: Path, log: Path, loaded: Result) -> None:
    assert loaded.exit_code == 0, loaded.output
    assert loaded.stdout == f"{ROWS} rows: {ROWS} accepted, 0 duplicate, 0 amended, 0 refused\n"
    again = airway(store, "load", str(log))
    assert again.exit_code == 0
    assert again.stdout == f"{ROWS} rows: 0 accepted, {ROWS} duplicate, 0 amended, 0 refused\n"


def test_a_bad_row_is_refused_alone(store: Path, loaded: Result, tmp_path: Path) -> None:
    spoilt = tmp_path / "spoilt.ndjson"
    spoilt.write_text(f"hello\n{json.dumps(SESSIONS[0])}\n", encoding="utf-8")
    result = airway(store, "load", str(spoilt))
    assert result.exit_code == 1
    assert f"{spoilt}: row 1: refused: " in result.stdout
    assert result.stdout.endswith("2 rows: 0 accepted, 1 duplicate, 0 amended, 1 refused\n")
    lines = airway(store, "load", str(spoilt), "--format", "ndjson").stdout.splitlines()
    assert [json.loads(line)["status"] for line in lines] == ["refused", "duplicate"]


def test_the_figures_of_one_child(store: Path, loaded: Result) -> None:
    result = airway(store, "adherence", "--child", "C-204", *FORTNIGHT)
    assert result.exit_code == 0, result.output
    line = next(line for line in result.stdout.splitlines() if line.startswith("C-204"))
    shown = [f"{100 * done / due:.1f}%" for done, due, _ in worked_example.FIGURES.values()]
    assert line.split()[1:4] == ["14", "/", "21"]
    assert [word for word in line.split() if word.endswith("%")] == shown
    assert line.split()[-2:] == ["3", "2"], "paused, unlogged"
    assert "silence is not refusal" in result.stdout


def test_the_ledger_of_one_child(store: Path, loaded: Result) -> None:
    result = airway(store, "adherence", "--child", "C-204", *FORTNIGHT, "--ledger")
    rows = list(csv.DictReader(io.StringIO(result.stdout)))
    outcomes = [row["outcome"] for row in rows if row["line"] == "due"]
    assert (outcomes.count("done"), outcomes.count("paused"), len(outcomes)) == (14, 3, 24)


@pytest.mark.parametrize(
    ("arguments", "told"),
    [
        (("--child", "C-9", *FORTNIGHT), "knows no such child"),
        (("--child", "C-204", "--from", "2025-04-06", "--to", "2025-03-24"), "comes before"),
        (("--from", "2025-02-30", "--to", "2025-03-24"), "2025-02-30"),
    ],
)
def test_questions_that_make_no_sense(
    store: Path, loaded: Result, arguments: tuple[str, ...], told: str
) -> None:
    result = airway(store, "adherence", *arguments)
    assert (result.exit_code, result.stdout) == (2, "")
    assert told in result.stderr


@pytest.mark.parametrize(
    ("half_year", "told"),
    [
        ("2026-H1", "nothing was written"),
        ("2099-H2", "is not over everywhere yet"),
        ("2026", "a half-year such as 2026-H1 is expected"),
    ],
)
def test_a_release_that_cannot_be_made(
    store: Path, loaded: Result, tmp_path: Path, half_year: str, told: str
) -> None:
    folder = tmp_path / "release"
    result = airway(store, "extract", "--half-year", half_year, "--out", str(folder))
    assert (result.exit_code, result.stdout) == (2, "")
    assert told in result.stderr
    assert not folder.exists()


@pytest.mark.parametrize("command", ["adherence", "extract"])
def test_a_record_is_not_made_by_asking_it(tmp_path: Path, command: str) -> None:
    nowhere = tmp_path / "nothing.sqlite"
    asked = FORTNIGHT if command == "adherence" else ("--half-year", "2026-H1")
    result = airway(nowhere, command, *asked)
    assert (result.exit_code, result.stdout) == (2, "")
    assert not nowhere.exists()


def test_serving_beyond_this_computer_is_refused(store: Path) -> None:
    result = airway(store, "serve", "--host", "0.0.0.0")  # noqa: S104 (must be refused)
    assert (result.exit_code, result.stdout) == (2, "")
    assert "AIRWAY_ALLOW_OPEN_ACCESS_BEYOND_THIS_COMPUTER" in result.stderr
