"""The registry over HTTP: records in two forms, the manifest, the code book, refusals."""

import csv
import io
import json

import pytest
from api_client import Client, resource
from registry_clinic import CANARIES, RegistryClinic
from set_clock import Clock

from service.api.services import Services

_RELEASE = "/registry/adherence?half-year=2026-H1"
_MANIFEST = "/registry/adherence/manifest?half-year=2026-H1"


@pytest.fixture
def clinic(services: Services, clock: Clock) -> RegistryClinic:
    made = RegistryClinic(services.record, clock)
    for number in range(1, 7):
        made.child(number, done=4 if number % 2 else 8)
    return made


@pytest.mark.usefixtures("clinic")
def test_records_come_as_ndjson_or_csv(client: Client) -> None:
    lines, table = client.get(_RELEASE), client.get(_RELEASE, accept="text/csv")
    assert lines.status_code == table.status_code == 200
    assert lines.headers["content-type"] == "application/x-ndjson"
    assert table.headers["content-type"].startswith("text/csv")
    assert lines.headers["vary"] == table.headers["vary"] == "Accept, Accept-Encoding"
    from_lines = [json.loads(line) for line in lines.text.splitlines()]
    assert list(csv.DictReader(io.StringIO(table.text, newline=""))) == from_lines
    assert len(from_lines) == 6


def test_the_answer_leads_to_its_manifest_and_the_code_book(
    client: Client, clinic: RegistryClinic
) -> None:
    answer = client.get(_RELEASE)
    assert f'<{_MANIFEST}>; rel="describedby"' in answer.headers["link"]
    assert '</registry/codebook>; rel="help"' in answer.headers["link"]
    manifest = resource(client.get(_MANIFEST))
    assert (manifest["k"], manifest["records"], manifest["suppressed"]) == (6, 6, 0)
    assert manifest["notice"].startswith("k-anonymised, not anonymous in law")
    clinic.child(7, done=16)
    assert client.get(_RELEASE).content == answer.content


@pytest.mark.usefixtures("clinic")
def test_no_canary_is_in_any_answer(client: Client, capfd: pytest.CaptureFixture[str]) -> None:
    answers = [
        client.get(_RELEASE),
        client.get(_RELEASE, accept="text/csv"),
        client.get(_MANIFEST),
        client.get("/registry/codebook"),
    ]
    told = capfd.readouterr()
    headers = [f"{answer.headers}" for answer in answers]
    for text in [*(answer.text for answer in answers), *headers, told.out, told.err]:
        assert not [canary for canary in CANARIES if canary in text]


def test_the_code_book_is_json_or_markdown(client: Client) -> None:
    book = resource(client.get("/registry/codebook"))
    page = client.get("/registry/codebook", accept="text/markdown")
    assert page.headers["content-type"].startswith("text/markdown")
    for column in book["columns"]:
        assert f"## {column['name']}" in page.text


@pytest.mark.parametrize(
    ("path", "status", "told"),
    [
        ("/registry/adherence", 400, "half-year"),
        ("/registry/adherence?half-year=2026", 400, "a half-year such as 2026-H1 is expected"),
        ("/registry/adherence?half-year=2030-H2", 422, "fewer than 5 children"),
        ("/registry/adherence?half-year=2031-H1", 422, "2031-H1 is not over everywhere yet"),
        ("/registry/adherence/manifest?half-year=2031-H1", 422, "not over everywhere yet"),
    ],
)
def test_a_refusal_is_an_operation_outcome_that_says_why(
    client: Client, path: str, status: int, told: str
) -> None:
    answer = client.get(path)
    assert answer.status_code == status
    outcome = resource(answer)
    assert outcome["resourceType"] == "OperationOutcome"
    assert told in outcome["issue"][0]["diagnostics"]


def test_a_form_that_is_not_offered_is_406(client: Client) -> None:
    assert client.get(_RELEASE, accept="application/pdf").status_code == 406
