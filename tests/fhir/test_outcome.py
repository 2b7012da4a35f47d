"""OperationOutcome: R4 operationoutcome.html; fhir.resources (R4B) as the oracle for its shape."""

from dataclasses import replace
from decimal import Decimal

import pytest
from fhir.resources.R4B.operationoutcome import OperationOutcome

from service.fhir import json
from service.fhir.outcome import Finding, has_errors, json_finding, operation_outcome, shown

LATE = Finding("error", "invalid", "Goal.startDate", "found x, expected a date", "date", "urn:p|1")
NOTE = Finding("warning", "not-found", "", "not checked")


def test_every_finding_becomes_one_issue() -> None:
    outcome = operation_outcome([LATE, NOTE])
    OperationOutcome.model_validate(outcome)
    first, second = outcome["issue"]
    assert first["expression"] == ["Goal.startDate"]
    assert first["details"]["coding"][0]["code"] == "date"
    assert first["diagnostics"] == "found x, expected a date (profile urn:p|1)"
    assert second == {"severity": "warning", "code": "not-found", "diagnostics": "not checked"}


def test_a_place_in_the_text_is_told_as_the_standard_has_it() -> None:
    """R4 extension-operationoutcome-issue-line.html and -col.html."""
    outcome = operation_outcome([replace(LATE, line=3, column=7)])
    OperationOutcome.model_validate(outcome)
    told = {one["url"]: one["valueInteger"] for one in outcome["issue"][0]["extension"]}
    base = "http://hl7.org/fhir/StructureDefinition/operationoutcome-issue"
    assert told == {f"{base}-line": 3, f"{base}-col": 7}


def test_no_finding_is_said_in_words() -> None:
    outcome = operation_outcome([])
    OperationOutcome.model_validate(outcome)
    assert [issue["severity"] for issue in outcome["issue"]] == ["information"]


def test_only_errors_forbid() -> None:
    assert has_errors([NOTE, LATE])
    assert not has_errors([NOTE])


def test_unreadable_text_is_located() -> None:
    with pytest.raises(json.JsonError) as caught:
        json.read('{"resourceType":"Goal",\n"status":1,"status":2}')
    finding = json_finding(caught.value)
    assert (finding.code, finding.expression) == ("structure", "Goal.status")
    assert (finding.line, finding.column) == (2, 12)
    assert finding.diagnostics.startswith("line 2, column 12: ")


@pytest.mark.parametrize(
    ("value", "text"),
    [("done", '"done"'), (Decimal("0.10"), "0.10"), (True, "true"), (None, "null"),
     ({"family": "secret"}, "an object"), (["secret"], "an array"),
     ("x" * 200, '"' + "x" * 77 + '..."')],
)  # fmt: skip
def test_found_values_are_short_and_never_whole_objects(value: object, text: str) -> None:
    assert shown(value) == text
