"""``airway check`` as an engineer uses it: what is printed, in which order, and the exit status."""

import json
from typing import Any

import pytest
from profile_files import BASE, FAILING, PASSING, load
from typer.testing import CliRunner, Result

from service.cli import app

PATIENT = '{"resourceType":"Patient","id":"a"}'
SPOILT = '{"resourceType":"Patient","active":1}'


def check(*arguments: str, stdin: bytes | str | None = None) -> Result:
    return CliRunner().invoke(app, ["check", *arguments], input=stdin)


def outcomes(result: Result) -> list[Any]:
    """One OperationOutcome a line, and nothing else."""
    found = [json.loads(line) for line in result.stdout.splitlines()]
    assert {one["resourceType"] for one in found} <= {"OperationOutcome"}
    return found


def keys(outcome: Any) -> list[str | None]:
    coded = [issue.get("details", {}).get("coding", [{}]) for issue in outcome["issue"]]
    return [codings[0].get("code") for codings in coded]


def test_every_example_that_must_pass() -> None:
    result = check(*map(str, PASSING))
    told = f"{len(PASSING)} checked, {len(PASSING)} without errors, 0 with errors"
    assert (result.exit_code, result.stdout.splitlines()) == (0, [told])


def test_every_example_that_must_fail_gives_its_reason_and_nothing_else() -> None:
    rows = load(FAILING / "index.json")
    result = check("--format", "ndjson", *(str(FAILING / row["file"]) for row in rows))
    assert result.exit_code == 1
    for row, outcome in zip(rows, outcomes(result), strict=True):
        assert keys(outcome) == [row["key"]], row["file"]
        assert outcome["issue"][0]["expression"] == [row["expression"]], row["file"]


def test_one_outcome_for_each_line_also_for_what_is_not_json() -> None:
    lines = [PATIENT, "", "   ", "hello", SPOILT, "[1]", '"x"', "{}", PATIENT]
    result = check("-", "--format", "ndjson", stdin="\n".join(lines))
    assert [keys(outcome) for outcome in outcomes(result)] == [
        [None],
        ["json"],
        ["primitive"],
        ["type"],
        ["type"],
        ["type"],
        [None],
    ]
    assert result.exit_code == 1


def test_text_names_the_line_and_the_place() -> None:
    result = check("-", stdin=f"{PATIENT}\n\n{SPOILT}\n")
    assert result.stdout.splitlines() == [
        "standard input:3:36: error [primitive]: Patient.active: found 1, expected true or false",
        "       1 error primitive",
        "2 checked, 1 without errors, 1 with errors",
    ]


def test_lines_and_columns_are_those_of_the_file() -> None:
    spread = json.dumps(json.loads(SPOILT), indent=1)
    (found, *_) = check("-", stdin=f"\n{spread}").stdout.splitlines()
    assert found.startswith("standard input:4:12: error [primitive]: Patient.active: ")


def test_text_that_is_not_json_is_located_in_the_file() -> None:
    (found, *_) = check("-", stdin=f"{PATIENT}\n" + '{"a":1,"a":2}').stdout.splitlines()
    assert found.startswith("standard input:2:8: error [json]: a: property name")


@pytest.mark.parametrize("options", [(), ("--advice",)])
def test_outcomes_carry_line_and_column_as_the_standard_has_them(options: tuple[str, ...]) -> None:
    """R4 extension-operationoutcome-issue-line.html and -col.html."""
    result = check("-", "--format", "ndjson", *options, stdin=f"{PATIENT}\n{SPOILT}\n")
    issues = [issue for issue in outcomes(result)[1]["issue"] if issue["severity"] == "error"]
    base = "http://hl7.org/fhir/StructureDefinition/operationoutcome-issue"
    assert [issue["extension"] for issue in issues] == [
        [{"url": f"{base}-line", "valueInteger": 2}, {"url": f"{base}-col", "valueInteger": 36}]
    ]


def test_a_bundle_is_one_resource() -> None:
    bundle = {
        "resourceType": "Bundle",
        "type": "collection",
        "entry": [
            {"fullUrl": f"urn:uuid:0c3151bd-1cbf-4d64-b04d-cd9187a4c6e{n}", "resource": one}
            for n, one in enumerate(
                ({"resourceType": "Patient", "gender": "x"}, json.loads(SPOILT))
            )
        ],
    }
    result = check("-", "--format", "ndjson", stdin=json.dumps(bundle, indent=1))
    (outcome,) = outcomes(result)
    assert [issue["expression"] for issue in outcome["issue"]] == [
        ["Bundle.entry[0].resource.gender"],
        ["Bundle.entry[1].resource.active"],
    ]


def test_nothing_to_check_is_no_error() -> None:
    result = check("-", "--format", "ndjson", stdin="\n \n")
    assert (result.exit_code, result.stdout) == (0, "")


def test_text_in_another_encoding() -> None:
    result = check("-", "--format", "ndjson", stdin=f"{PATIENT}\n".encode() + b"\xff\xfe\n")
    assert [keys(outcome) for outcome in outcomes(result)] == [[None], ["json"]]


def test_a_profile_asked_for_is_checked_too() -> None:
    state = next(file for file in PASSING if file.name == "state-well-open.json")
    asked = check("--profile", f"{BASE}/StructureDefinition/airway-pause", str(state))
    assert asked.exit_code == 1
    assert "[pattern]: Observation.code" in asked.stdout
    unknown = check("--profile", "https://clinic.example/profile", str(state))
    assert "[profile-unknown]" in unknown.stdout


@pytest.mark.parametrize("missing", ["nowhere.json", "."])
def test_a_file_that_cannot_be_read(missing: str) -> None:
    result = check("--format", "ndjson", str(PASSING[0]), missing)
    assert result.exit_code == 2
    assert outcomes(result) == [], "all files are looked for before the first is read"
    assert result.stderr.startswith(f"{missing}: ")
