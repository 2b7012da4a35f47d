"""What is around every request: HEAD, conditional reads, gzip, ids, layout, counts."""

import gzip
import json
from collections.abc import AsyncIterator
from dataclasses import replace
from typing import Any

import httpx
import pytest
from api_client import Client, client_of, issues, resource

from service.api.app import create_app
from service.api.gzipped import LEAST, takes_gzip
from service.api.services import Services
from service.settings import Settings

GZIP = {"content-type": "application/fhir+json", "content-encoding": "gzip"}


def patient(id_: str = "quill", **more: Any) -> Any:
    return {"resourceType": "Patient", "id": id_, "multipleBirthInteger": 2} | more


@pytest.fixture
def kept(client: Client) -> Client:
    assert client.put("/fhir/Patient/quill", patient()).status_code == 201
    return client


def bytes_of(answer: httpx.Response) -> bytes:
    """The body as it came over the wire; the client unpacks by itself."""
    return b"".join(answer.iter_raw()) if not answer.is_closed else answer.content


# -- HEAD ---------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "path",
    [
        "/fhir/metadata",
        "/fhir/Patient/quill",
        "/fhir/Patient/quill/_history/1",
        "/fhir/Patient/quill/_history",
        "/fhir/Patient?_id=quill",
        "/fhir/_history",
        "/fhir/Patient/nobody",
        "/fhir/StructureDefinition",
        "/health/live",
        "/registry/codebook",
        "/openapi.json",
        "/docs",
    ],
)
def test_head_is_get_without_the_body(kept: Client, path: str) -> None:
    """RFC 9110 section 9.3.2."""
    got, head = kept.get(path), kept.request("HEAD", path)
    assert (head.status_code, head.content) == (got.status_code, b"")
    own = {"x-request-id", "date"}
    assert {k: v for k, v in head.headers.items() if k not in own} == {
        k: v for k, v in got.headers.items() if k not in own
    }


# -- conditional read (R4 http.html#cread, RFC 9110 section 13.1) ---------------------------------


@pytest.mark.parametrize(
    ("headers", "status"),
    [
        ({"if_none_match": 'W/"1"'}, 304),
        ({"if_none_match": '"1"'}, 304),
        ({"if_none_match": 'W/"7", W/"1"'}, 304),
        ({"if_none_match": "*"}, 304),
        ({"if_none_match": 'W/"2"'}, 200),
        ({"if_none_match": "1"}, 200),
        ({"if_modified_since": "Sun, 09 Mar 2031 12:00:00 GMT"}, 304),
        ({"if_modified_since": "Sun, 09 Mar 2031 12:00:01 GMT"}, 304),
        ({"if_modified_since": "Sun, 09 Mar 2031 11:59:59 GMT"}, 200),
        ({"if_modified_since": "yesterday"}, 200),
        (
            {"if_none_match": 'W/"2"', "if_modified_since": "Sun, 09 Mar 2031 12:00:00 GMT"},
            200,
        ),
    ],
)
@pytest.mark.parametrize("path", ["/fhir/Patient/quill", "/fhir/Patient/quill/_history/1"])
def test_what_the_client_has_is_not_sent_again(
    kept: Client, path: str, headers: dict[str, str], status: int
) -> None:
    answer = kept.get(path, **headers)
    assert answer.status_code == status
    assert answer.headers["etag"] == 'W/"1"'
    assert answer.headers["last-modified"] == "Sun, 09 Mar 2031 12:00:00 GMT"
    assert (answer.content == b"") == (status == 304)


def test_what_is_gone_or_never_was_is_told_whatever_the_client_has(kept: Client) -> None:
    kept.delete("/fhir/Patient/quill")
    assert kept.get("/fhir/Patient/quill", if_none_match="*").status_code == 410
    assert kept.get("/fhir/Patient/nobody", if_none_match="*").status_code == 404


# -- gzip out -------------------------------------------------------------------------------------


def test_long_answers_are_packed_for_those_who_take_it(kept: Client) -> None:
    long = patient("long", name=[{"text": "Zebedee " * 400}])
    kept.put("/fhir/Patient/long", long)
    plain = kept.get("/fhir/Patient/long", accept_encoding="identity")
    packed = kept.get("/fhir/Patient/long", accept_encoding="gzip")
    assert "content-encoding" not in plain.headers
    assert packed.headers["content-encoding"] == "gzip"
    assert int(packed.headers["content-length"]) < len(plain.content) / 4
    assert packed.content == plain.content
    assert packed.headers["etag"] == plain.headers["etag"] == 'W/"1"'
    for answer in (plain, packed):
        assert answer.headers["vary"] == "Accept-Encoding"
    known = kept.get("/fhir/Patient/long", accept_encoding="gzip", if_none_match='W/"1"')
    assert known.status_code == 304


def test_short_answers_and_errors_are_not_made_longer(kept: Client) -> None:
    short = kept.get("/fhir/Patient/quill", accept_encoding="gzip")
    assert len(short.content) < LEAST
    assert "content-encoding" not in short.headers


def test_pages_and_descriptions_are_packed_too(kept: Client) -> None:
    for path in ("/fhir/metadata", "/openapi.json", "/docs/swagger-ui-bundle.js"):
        answer = kept.get(path, accept_encoding="br, gzip;q=0.5")
        assert answer.headers["content-encoding"] == "gzip", path
    head = kept.request("HEAD", "/fhir/metadata", headers={"accept-encoding": "gzip"})
    assert (head.headers["content-encoding"], head.content) == ("gzip", b"")


@pytest.mark.parametrize(
    ("accepted", "takes"),
    [
        (b"gzip", True),
        (b"deflate, GZIP ;q=0.2", True),
        (b"x-gzip", True),
        (b"gzip;q=0", False),
        (b"gzip; q=0.00", False),
        (b"br", False),
        (b"", False),
        (b"identity", False),
    ],
)
def test_who_takes_gzip(accepted: bytes, takes: bool) -> None:
    assert takes_gzip(accepted) == takes


# -- gzip in --------------------------------------------------------------------------------------


def put(client: Client, body: bytes, **headers: str) -> httpx.Response:
    return client.request("PUT", "/fhir/Patient/sent", content=body, headers=GZIP | headers)


SENT = json.dumps(patient("sent", name=[{"text": "Zebedee " * 1000}])).encode()


def test_a_packed_body_is_the_body(client: Client) -> None:
    assert put(client, gzip.compress(SENT)).status_code == 201
    assert resource(client.get("/fhir/Patient/sent"))["name"] == json.loads(SENT)["name"]
    members = gzip.compress(SENT[:500]) + gzip.compress(SENT[500:])
    assert put(client, members).status_code == 200
    assert put(client, SENT, **{"content-encoding": "identity"}).status_code == 200


@pytest.mark.parametrize("size", [1, 7, 64, 100_000])
def test_however_it_is_cut(client: Client, size: int) -> None:
    packed = gzip.compress(SENT, 0) + gzip.compress(b" " * 3_000_000)

    async def pieces() -> AsyncIterator[bytes]:
        for at in range(0, len(packed), size):
            yield packed[at : at + size]

    answer = client.request("PUT", "/fhir/Patient/sent", content=pieces(), headers=GZIP)
    assert answer.status_code == 201


@pytest.mark.parametrize(
    ("body", "status"),
    [
        (SENT, 400),
        (gzip.compress(SENT, mtime=0)[:-10], 400),
        (gzip.compress(SENT, mtime=0) + b"more", 400),
        (b"", 400),
        (gzip.compress(b"{", mtime=0), 400),
    ],
)
def test_what_is_not_gzip_is_refused(client: Client, body: bytes, status: int) -> None:
    answer = put(client, body)
    assert answer.status_code == status
    assert issues(answer)


def test_other_codings_are_refused_with_the_one_that_is_taken(client: Client) -> None:
    answer = put(client, SENT, **{"content-encoding": "br"})
    assert (answer.status_code, answer.headers["accept-encoding"]) == (415, "gzip")


def test_a_small_body_does_not_become_a_large_one_in_memory(services: Services) -> None:
    bomb = gzip.compress(b" " * 50_000_000)
    assert len(bomb) < 60_000
    own = Settings(max_body_bytes=100_000)
    with client_of(create_app(replace(services, settings=own))) as client:
        answer = put(client, bomb)
    assert answer.status_code == 413
    assert issues(answer)[0]["code"] == "too-long"


def test_feeds_may_be_packed(client: Client) -> None:
    rows = b'{"technique":"none"}\n' * 300
    answer = client.request(
        "POST",
        "/sessions",
        content=gzip.compress(rows),
        headers={"content-type": "application/x-ndjson", "content-encoding": "gzip"},
    )
    assert answer.status_code == 200
    assert len(answer.content.splitlines()) == 300


# -- ids (R4 http.html#custom) --------------------------------------------------------------------


def test_the_id_that_the_client_gives_is_kept(client: Client) -> None:
    answer = client.get("/fhir/metadata", x_request_id="ward-7.42")
    assert answer.headers["x-request-id"] == "ward-7.42"
    assert "x-correlation-id" not in answer.headers


@pytest.mark.parametrize("sent", ["Zebedee_Quill", "a" * 65, "a{b}"])
def test_one_that_cannot_be_used_comes_back_as_correlation(client: Client, sent: str) -> None:
    answer = client.get("/fhir/metadata", x_request_id=sent)
    assert answer.headers["x-request-id"] != sent
    assert answer.headers["x-correlation-id"] == sent


def test_every_request_has_an_id_of_its_own(client: Client) -> None:
    ids = {client.get("/health/live").headers["x-request-id"] for _ in range(20)}
    assert len(ids) == 20


# -- layout ---------------------------------------------------------------------------------------


def test_pretty_changes_white_space_and_nothing_else(client: Client) -> None:
    """Python's own json module lays out the same values in the same way."""
    text = (
        '{"resourceType":"Observation","id":"o","status":"final",'
        '"code":{"text":"a \\"b\\" [c, d]: {e}"},'
        '"valueQuantity":{"value":1.50,"unit":"\u00b5\u2028"}}'
    )
    assert client.put("/fhir/Observation/o", text).status_code == 201
    plain = client.get("/fhir/Observation/o")
    laid = client.get("/fhir/Observation/o?_pretty=true")
    values = json.dumps(json.loads(plain.content), indent=2, ensure_ascii=False)
    assert laid.text == values.replace('"value": 1.5,', '"value": 1.50,')
    assert laid.headers["content-length"] == str(len(laid.content))
    assert client.get("/fhir/Observation/o?_pretty=false").content == plain.content
    for path in ("/fhir/Observation?_pretty=true", "/fhir/Observation/none?_pretty=true"):
        assert client.get(path).text.startswith('{\n  "resourceType"')


# -- formats --------------------------------------------------------------------------------------


@pytest.mark.parametrize("path", ["/fhir/Patient/quill", "/fhir/Patient", "/fhir/_history"])
@pytest.mark.parametrize(
    ("form", "status"),
    [
        ("json", 200),
        ("application/json", 200),
        ("application/fhir%2Bjson", 200),
        ("application/fhir+json", 200),
        ("text/json", 200),
        ("xml", 406),
        ("application/fhir%2Bxml", 406),
        ("ttl", 406),
        ("html", 406),
    ],
)
def test_forms(kept: Client, path: str, form: str, status: int) -> None:
    """R4 http.html#parameters: the parameter goes before the header."""
    answer = kept.get(f"{path}?_format={form}", accept="text/html")
    assert answer.status_code == status
    assert resource(answer)["resourceType"]


# -- counts ---------------------------------------------------------------------------------------


def test_counts_have_templates_and_nothing_of_the_child(kept: Client) -> None:
    kept.get("/fhir/Patient?name=Zebedee")
    kept.get("/zebedee")
    kept.request("ZEBEDEE", "/fhir/Patient/quill")
    counts = kept.get("/metrics")
    assert counts.headers["content-type"].startswith("text/plain")
    for line in (
        'airway_http_requests_total{method="PUT",route="/fhir/{type}/{id}",status="201"}',
        'airway_http_requests_total{method="other",route="/fhir/{type}/{id}",status="405"}',
        'airway_http_requests_total{method="GET",route="unknown",status="404"}',
        'airway_http_request_seconds_bucket{le="0.01",method="GET",route="/fhir/{type}"}',
        "airway_gathered_reads_count",
    ):
        assert line in counts.text, line
    assert "quill" not in counts.text
    assert "zebedee" not in counts.text.lower()


def test_rows_and_refusals_are_counted(kept: Client) -> None:
    def count(line: str) -> float:
        counts = kept.get("/metrics").text
        return sum(float(one.split()[-1]) for one in counts.splitlines() if one.startswith(line))

    conflicts = 'airway_record_refusals_total{reason="Conflict"}'
    refused = 'airway_rows_total{end="refused",kind="session"}'
    before = count(conflicts), count(refused)
    stale = kept.put("/fhir/Patient/quill", patient(), if_match='W/"7"')
    assert stale.status_code == 412
    feed = {"content-type": "application/x-ndjson"}
    kept.request("POST", "/sessions", content=b'{"technique":"none"}\n' * 3, headers=feed)
    assert (count(conflicts), count(refused)) == (before[0] + 1, before[1] + 3)
