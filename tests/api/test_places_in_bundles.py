"""Line and column in what was sent, of findings about the entries of a Bundle."""

import json
from typing import Any

import pytest
from api_client import Client, issues, resource
from requests_sent import bundle, entry, observation

_LINE = "http://hl7.org/fhir/StructureDefinition/operationoutcome-issue-line"
_COLUMN = "http://hl7.org/fhir/StructureDefinition/operationoutcome-issue-col"
SPOILT = observation(status="nope", component=[{"code": {"text": "a"}}, {"code": "b"}])


def laid_out(kind: str, *entries: Any) -> str:
    return json.dumps(bundle(kind, *entries), indent=1)


def read_at(issue: dict[str, Any], text: str) -> str:
    """The value that begins at the line and column of an issue."""
    place = {one["url"]: one["valueInteger"] for one in issue["extension"]}
    rest = text.split("\n")[place[_LINE] - 1][place[_COLUMN] - 1 :]
    return rest.rstrip(",")


def test_entries_of_a_transaction(client: Client) -> None:
    text = laid_out(
        "transaction",
        entry("POST", "Observation", observation()),
        entry("POST", "Observation", SPOILT),
    )
    answer = client.post("/fhir", text)
    assert answer.status_code == 422
    told = {issue["expression"][0]: read_at(issue, text) for issue in issues(answer)}
    assert told["Bundle.entry[1].resource.status"] == '"nope"'
    assert told["Bundle.entry[1].resource.component[1].code"] == '"b"'


@pytest.mark.parametrize(
    ("wrong", "place", "value"),
    [
        (entry("FETCH", "Observation"), "request.method", '"FETCH"'),
        (entry("POST", "Observation?", observation()), "request.url", '"Observation?"'),
        (entry("PUT", "Observation/o", observation(id="p")), "resource.id", '"p"'),
    ],
)
def test_requests_of_a_transaction(
    client: Client, wrong: dict[str, Any], place: str, value: str
) -> None:
    text = laid_out("transaction", entry("POST", "Observation", observation()), wrong)
    (issue,) = issues(client.post("/fhir", text))
    if "FETCH" not in text:
        assert issue["expression"] == [f"Bundle.entry[1].{place}"]
        assert read_at(issue, text) == value
    else:
        assert issue["expression"] == ["Bundle.entry[1].request"]


def test_a_stale_version_in_a_transaction_is_told_at_its_entry(client: Client) -> None:
    client.put("/fhir/Observation/o", observation(id="o"))
    stale = entry("PUT", "Observation/o", observation(id="o", status="amended"), ifMatch='W/"7"')
    text = laid_out("transaction", stale)
    answer = client.post("/fhir", text)
    assert answer.status_code == 412
    assert read_at(issues(answer)[0], text).startswith("{")


def test_entries_of_a_batch(client: Client) -> None:
    """Each answer names the place from its own resource, and the line in the whole."""
    text = laid_out(
        "batch",
        entry("POST", "Observation", observation()),
        entry("POST", "Observation", SPOILT),
        entry("PUT", "Observation/o", observation(id="p")),
        entry("POST", "Patient", observation()),
        {"request": {"method": "FETCH", "url": "Patient"}},
        entry(
            "POST",
            "Observation/$validate",
            {"resourceType": "Parameters", "parameter": [{"name": "resource", "resource": SPOILT}]},
        ),
    )
    told: list[dict[str, str]] = []
    for part in resource(client.post("/fhir", text))["entry"]:
        outcome = part["response"].get("outcome") or part.get("resource", {})
        told.append(
            {
                issue.get("expression", [""])[0]: read_at(issue, text)
                for issue in outcome.get("issue", ())
                if "extension" in issue
            }
        )
    assert told[1]["Observation.status"] == told[5]["Observation.status"] == '"nope"'
    assert told[1]["Observation.component[1].code"] == '"b"'
    assert told[2] == {"Observation.id": '"p"'}
    assert told[3] == {"resourceType": '"Observation"'}
    assert told[4] == {"Bundle.entry[4].request": "{"}
    lines = [one for one, row in enumerate(text.split("\n"), 1) if "nope" in row]
    assert len(lines) == 2


def test_a_body_of_its_own(client: Client) -> None:
    text = json.dumps(observation(id="p"), indent=1)
    (issue,) = issues(client.put("/fhir/Observation/o", text))
    assert (issue["expression"], read_at(issue, text)) == (["Observation.id"], '"p"')
