"""POST /fhir/$load: a line received is a row kept, and a bad one is told alone."""

import gzip
import json
from collections.abc import AsyncIterator, Iterable
from dataclasses import replace
from typing import Any

from api_client import Client, client_of, issues, resource
from record_samples import observation, patient

from service.api.app import create_app
from service.api.services import Services
from service.fhir.json import JsonObject, write
from service.record.bulk.rows import BATCH_ROWS

NDJSON = "application/fhir+ndjson"


def lines(rows: Iterable[JsonObject | bytes]) -> bytes:
    return b"".join((row if isinstance(row, bytes) else write(row)) + b"\n" for row in rows)


def load(client: Client, body: bytes | AsyncIterator[bytes], **headers: str) -> Any:
    named = {"content-type": NDJSON} | {n.replace("_", "-"): v for n, v in headers.items()}
    return client.request("POST", "/fhir/$load", content=body, headers=named)


def told(answer: Any) -> list[dict[str, Any]]:
    assert answer.status_code == 200, answer.text
    assert answer.headers["content-type"] == NDJSON
    return [json.loads(line) for line in answer.text.splitlines()]


def ends(created: int = 0, updated: int = 0, unchanged: int = 0, refused: int = 0) -> JsonObject:
    return {
        "created": created, "updated": updated, "unchanged": unchanged, "refused": refused,
    }  # fmt: skip


def test_refused_rows_then_how_far_it_is_then_the_end(client: Client) -> None:
    body = lines([observation(1, id="a"), b"hello", patient(id="b", birthDate="soon")])
    first, second, progress, last = told(load(client, body))
    assert first["row"] == 2
    assert second["row"] == 3
    assert second["outcome"]["issue"][0]["expression"] == ["Patient.birthDate"]
    assert progress == {"upTo": 3} | ends(created=1, refused=2)
    assert last == {"complete": True} | ends(created=1, refused=2)
    assert resource(client.get("/fhir/Observation/a"))["valueQuantity"]["value"] == 1


def test_again_and_packed(client: Client) -> None:
    body = lines([observation(1, id="a"), patient(id="b")])
    assert told(load(client, body))[-1] == {"complete": True} | ends(created=2)
    again = load(client, gzip.compress(body), content_encoding="gzip")
    assert told(again)[-1] == {"complete": True} | ends(unchanged=2)


def test_a_long_load_has_processes_of_its_own(client: Client) -> None:
    rows = [observation(number, id=f"o-{number}") for number in range(2 * BATCH_ROWS + 1)]
    *progress, last = told(load(client, lines(rows)))
    assert [one["upTo"] for one in progress] == [BATCH_ROWS, 2 * BATCH_ROWS, len(rows)]
    assert last == {"complete": True} | ends(created=len(rows))
    assert resource(client.get("/fhir/Observation?_summary=count"))["total"] == len(rows)


def test_nothing_at_all(client: Client) -> None:
    assert told(load(client, b"\n \n")) == [{"complete": True} | ends()]


def test_definitions_and_bundles_are_not_loaded(client: Client) -> None:
    body = lines([b'{"resourceType":"ValueSet","status":"draft"}', b'{"resourceType":"Bundle"}'])
    assert told(load(client, body))[-1] == {"complete": True} | ends(refused=2)


def test_another_media_type_and_method(client: Client) -> None:
    assert load(client, b"", content_type="text/csv").status_code == 415
    assert client.get("/fhir/$load").status_code == 405


def test_a_body_beyond_the_limit_says_what_is_kept(services: Services) -> None:
    small = services.settings.model_copy(update={"max_feed_bytes": 600_000})
    rows = lines(observation(number, id=f"o-{number}") for number in range(6_000))

    async def in_pieces() -> AsyncIterator[bytes]:
        for start in range(0, len(rows), 1_000):
            yield rows[start : start + 1_000]

    with client_of(create_app(replace(services, settings=small))) as client:
        assert issues(load(client, rows))[0]["code"] == "too-long"
        last = told(load(client, in_pieces()))[-1]
        assert last["complete"] is False
        assert last["outcome"]["issue"][0]["code"] == "too-long"
        kept = resource(client.get("/fhir/Observation?_summary=count"))["total"]
        assert kept == last["created"] > 0


def test_its_definition_can_be_read(client: Client) -> None:
    capability = resource(client.get("/fhir/metadata"))["rest"][0]
    (operation,) = [one for one in capability["operation"] if one["name"] == "load"]
    definition = client.get(f"/fhir/OperationDefinition?url={operation['definition']}")
    (entry,) = resource(definition)["entry"]
    assert entry["resource"]["system"] is True
