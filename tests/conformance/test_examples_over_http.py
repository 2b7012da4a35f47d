"""The official R4 examples of the types that are served, put over HTTP and read back.

Source: hl7.org/fhir/R4 examples, in the reference data beside the project. Those that its list of
errata names are left out.
"""

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from api_client import Client, client_of, resource
from set_clock import Clock
from shared_data import shared

from service.api.app import create_app
from service.api.types import APPENDED, RECORDED
from service.compose import open_services
from service.settings import Settings

WRITABLE = sorted({*RECORDED, *APPENDED})


@pytest.fixture(scope="module")
def client(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Client]:
    path = tmp_path_factory.mktemp("record") / "record.sqlite"
    settings = Settings(store=path)
    with open_services(settings, Clock()) as services, client_of(create_app(services)) as made:
        yield made


def examples(type_: str) -> list[Path]:
    errata = json.loads(shared("conformance/r4-errata.json").read_text("utf-8"))
    flagged = {row["example"] for row in errata if "example" in row}
    files = sorted(shared("conformance/examples").glob(f"{type_}-*.json"))
    return [file for file in files if file.stem not in flagged]


def what_is_said(text: bytes) -> Any:
    """A resource without what the server says of it; each number is the text of its digits."""
    value = json.loads(text, parse_float=str, parse_int=str)
    meta = {k: v for k, v in value.get("meta", {}).items() if k not in ("versionId", "lastUpdated")}
    rest = {name: part for name, part in value.items() if name not in ("meta", "id")}
    return rest | ({"meta": meta} if meta else {})


@pytest.mark.parametrize("type_", WRITABLE)
def test_each_example_is_accepted_and_comes_back_value_for_value(
    client: Client, type_: str
) -> None:
    for file in examples(type_):
        sent = file.read_text("utf-8")
        if type_ in APPENDED:
            made = client.post(f"/fhir/{type_}", sent)
        else:
            made = client.put(f"/fhir/{type_}/{json.loads(sent)['id']}", sent)
        assert made.status_code == 201, f"{file.name}: {made.text}"
        address = f"/fhir/{type_}/{resource(made)['id']}"
        got = client.get(address, accept="application/fhir+json")
        assert what_is_said(got.content) == what_is_said(sent.encode()), file.name


def test_there_are_examples_of_most_types() -> None:
    held = {type_ for type_ in WRITABLE if examples(type_)}
    assert {"CarePlan", "ServiceRequest", "Observation", "Patient", "Consent"} <= held
    assert sum(len(examples(type_)) for type_ in held) >= 180
