"""Binary as content and as resource: R4 binary.html, "Binary resources on the RESTful API".

Read without an Accept that names FHIR JSON it comes as it is; written as anything but a Binary, a
body is content; ``X-Security-Context`` is ``securityContext``. That a browser shall not show it is
ours (nosniff: WHATWG fetch; Content-Disposition: RFC 6266).
"""

from base64 import b64encode
from typing import Any

import pytest
from api_client import BASE, Client, issues, resource
from requests_sent import bundle, entry

from service.record.bodies import LONGEST

pytestmark = pytest.mark.engines

PICTURE = bytes(range(256)) * 7
FHIR = "application/fhir+json"


def send(client: Client, method: str, path: str, content: bytes, kind: str, **more: str) -> Any:
    headers = {"content-type": kind} | {name.replace("_", "-"): one for name, one in more.items()}
    return client.request(method, f"/fhir/{path}", content=content, headers=headers)


@pytest.fixture
def kept(client: Client) -> Client:
    made = send(client, "PUT", "Binary/b", PICTURE, "image/png", x_security_context="Patient/p")
    assert made.status_code == 201, made.text
    return client


def test_content_goes_in_and_comes_out_as_it_is(client: Client) -> None:
    made = send(client, "POST", "Binary", PICTURE, "image/png")
    assert made.status_code == 201
    assert made.headers["etag"] == 'W/"1"'
    place = made.headers["location"].removeprefix(BASE)
    for path in (place, place.partition("/_history")[0]):
        found = client.get(f"/fhir{path}")
        assert (found.status_code, found.content) == (200, PICTURE)
        assert found.headers["content-type"] == "image/png"
        assert found.headers["etag"] == 'W/"1"'
        head = client.request("HEAD", f"/fhir{path}")
        assert (head.content, head.headers["content-length"]) == (b"", str(len(PICTURE)))


def test_a_browser_saves_it_and_shows_nothing(client: Client) -> None:
    send(client, "PUT", "Binary/b", b"<script>1</script>", "text/html; charset=utf-8")
    found = client.get("/fhir/Binary/b", accept="text/html,*/*;q=0.8")
    assert found.headers["content-type"] == "text/html; charset=utf-8"
    assert found.headers["x-content-type-options"] == "nosniff"
    assert found.headers["content-disposition"].startswith("attachment")


@pytest.mark.parametrize(
    ("accept", "kind"),
    [
        ("*/*", "image/png"),
        ("image/png", "image/png"),
        ("image/*;q=0.5", "image/png"),
        (f"{FHIR};q=0.2, image/png", "image/png"),
        (FHIR, FHIR),
        ("application/json", FHIR),
        (f"text/plain, {FHIR};q=0.1", FHIR),
        ("text/plain", None),
        ("application/fhir+xml", None),
        ("image/png;q=0", None),
        (f"{FHIR}; fhirVersion=5.0", None),
    ],
)
@pytest.mark.parametrize("path", ["Binary/b", "Binary/b/_history/1"])
def test_the_form_that_the_client_takes(
    kept: Client, path: str, accept: str, kind: str | None
) -> None:
    found = kept.get(f"/fhir/{path}", accept=accept)
    assert found.status_code == (200 if kind else 406)
    if kind == FHIR:
        assert resource(found)["data"] == b64encode(PICTURE).decode()
    elif kind:
        assert (found.headers["content-type"], found.content) == (kind, PICTURE)
    else:
        assert issues(found)


def test_the_format_goes_before_accept(kept: Client) -> None:
    for text in ("json", "application/fhir%2Bjson", "application/fhir+json"):
        found = kept.get(f"/fhir/Binary/b?_format={text}&_elements=contentType", accept="image/png")
        assert resource(found)["contentType"] == "image/png"
        assert "data" not in resource(found)
    assert kept.get("/fhir/Binary/b?_format=image/png").content == PICTURE
    assert kept.get("/fhir/Binary/b?_format=xml").status_code == 406


def test_whom_it_is_about(kept: Client) -> None:
    assert resource(kept.get("/fhir/Binary/b", accept=FHIR))["securityContext"] == {
        "reference": "Patient/p"
    }
    assert kept.get("/fhir/Binary/b").headers["x-security-context"] == "Patient/p"
    wrong = send(kept, "PUT", "Binary/b", b"a", "text/plain", x_security_context="Patient p")
    assert wrong.status_code == 400
    assert kept.get("/fhir/Binary/b").content == PICTURE


def test_versions_and_conditions_as_for_any_resource(kept: Client) -> None:
    stale = send(kept, "PUT", "Binary/b", b"two", "text/plain", if_match='W/"7"')
    assert stale.status_code == 412
    again = send(kept, "PUT", "Binary/b", b"two", "text/plain", if_match='W/"1"')
    assert (again.status_code, again.headers["etag"]) == (200, 'W/"2"')
    assert kept.get("/fhir/Binary/b").content == b"two"
    assert kept.get("/fhir/Binary/b", if_none_match='W/"2"').status_code == 304
    assert kept.get("/fhir/Binary/b/_history/1").content == PICTURE
    one = send(kept, "POST", "Binary", b"3", "text/plain", if_none_exist="_id=b")
    assert (one.status_code, one.headers["etag"]) == (200, 'W/"2"')
    assert kept.delete("/fhir/Binary/b").status_code == 204
    assert kept.get("/fhir/Binary/b").status_code == 410
    assert kept.get("/fhir/Binary/none", accept="image/png").status_code == 404


def test_a_resource_is_taken_as_one(client: Client) -> None:
    sent = {"resourceType": "Binary", "id": "b", "contentType": "text/plain", "data": "YQ=="}
    assert client.put("/fhir/Binary/b", sent).status_code == 201
    assert client.get("/fhir/Binary/b").content == b"a"
    broken = client.put("/fhir/Binary/b", sent | {"data": "?"})
    assert broken.status_code == 422
    assert client.put("/fhir/Binary/b", '{"resourceType":"Binary",').status_code == 400
    assert client.get("/fhir/Binary/b").content == b"a"
    empty = client.put(
        "/fhir/Binary/e", {"resourceType": "Binary", "id": "e", "contentType": "a/b"}
    )
    assert empty.status_code == 201
    assert (client.get("/fhir/Binary/e").content, client.get("/fhir/Binary/e").status_code) == (
        b"",
        200,
    )


def test_json_that_is_no_binary_is_content(client: Client) -> None:
    """R4: content is taken as it is, FHIR JSON too, unless it is a Binary."""
    child = b'{"resourceType": "Patient" }'
    assert send(client, "PUT", "Binary/b", child, FHIR).status_code == 201
    assert client.get("/fhir/Binary/b").content == child
    wrapped = resource(client.get("/fhir/Binary/b", accept=FHIR))
    assert (wrapped["resourceType"], wrapped["contentType"]) == ("Binary", FHIR)


@pytest.mark.parametrize("kind", ["", "text", "text/plain\tx", "/", "text/"])
def test_content_of_no_type_is_refused(client: Client, kind: str) -> None:
    answer = send(client, "POST", "Binary", b"a", kind)
    assert answer.status_code == 415
    assert issues(answer)


def test_a_binary_in_xml_is_refused_and_other_xml_is_content(client: Client) -> None:
    xml = b'<?xml version="1.0"?>\n<Binary xmlns="http://hl7.org/fhir"/>'
    assert send(client, "POST", "Binary", xml, "application/fhir+xml").status_code == 415
    assert send(client, "POST", "Binary", b"<a/>", "application/xml").status_code == 201


def test_content_that_fits_into_no_resource_is_refused(client: Client) -> None:
    most = (LONGEST - 4096) // 4 * 3
    assert send(client, "PUT", "Binary/b", b"a" * most, "text/plain").status_code == 201
    assert client.get("/fhir/Binary/b").content == b"a" * most
    too_long = send(client, "PUT", "Binary/b", b"a" * (most + 1), "text/plain")
    assert too_long.status_code == 413
    assert issues(too_long)[0]["code"] == "too-long"


def test_a_type_that_no_header_may_say(client: Client) -> None:
    """A code of R4 may have a line break in it; a header may not."""
    sent = {"resourceType": "Binary", "id": "b", "contentType": "a\nx: y", "data": "YQ=="}
    if client.put("/fhir/Binary/b", sent).status_code == 201:
        found = client.get("/fhir/Binary/b")
        assert (found.status_code, found.content) == (200, b"a")
        assert found.headers["content-type"] == "application/octet-stream"
    assert client.get("/fhir/Binary/b").status_code in (200, 404)


@pytest.mark.parametrize("kind", ["batch", "transaction"])
def test_in_a_bundle_it_is_the_resource(kept: Client, kind: str) -> None:
    sent = {"resourceType": "Binary", "contentType": "text/plain", "data": "YQ=="}
    parts = bundle(kind, entry("POST", "Binary", sent), entry("GET", "Binary/b"))
    answer = kept.post("/fhir", parts)
    made, found = resource(answer)["entry"]
    assert made["response"]["status"].startswith("201")
    assert found["resource"]["contentType"] == "image/png"
    wrong = kept.post("/fhir", bundle(kind, entry("POST", "Binary", {"resourceType": "Patient"})))
    assert "400" in (wrong.text if kind == "batch" else str(wrong.status_code))
    assert len(resource(kept.get("/fhir/Binary"))["entry"]) == 2
