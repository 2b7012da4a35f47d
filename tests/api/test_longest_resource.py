"""Between what a request may bring and what can be read again once it is stored."""

import pytest
from api_client import Client, issues

from service.fhir.json import MAX_BYTES, JsonObject, read, write
from service.record.bodies import LONGEST


def binary(size: int) -> JsonObject:
    """A resource whose JSON has so many bytes."""
    resource = {"resourceType": "Binary", "id": "b", "contentType": "a/b", "data": ""}
    fours, rest = divmod(size - len(write(resource)), 4)
    return resource | {"contentType": "a/b" + "b" * rest, "data": "AAAA" * fours}


def test_the_longest_that_is_taken_is_read_searched_and_changed(client: Client) -> None:
    assert client.put("/fhir/Binary/b", binary(LONGEST)).status_code == 201
    found = client.get("/fhir/Binary/b", accept="application/fhir+json")
    assert found.status_code == 200
    assert read(found.content)["data"] == binary(LONGEST)["data"]
    assert client.get("/fhir/Binary?_id=b").status_code == 200
    patch = '[{"op": "replace", "path": "/data", "value": "QUJD"}]'
    patched = client.send(
        "PATCH", "/fhir/Binary/b", patch, content_type="application/json-patch+json"
    )
    assert patched.status_code == 200


@pytest.mark.parametrize("size", [LONGEST + 1, MAX_BYTES, MAX_BYTES + 1])
def test_a_longer_one_is_413_and_not_stored(client: Client, size: int) -> None:
    answer = client.put("/fhir/Binary/b", binary(size))
    assert answer.status_code == 413
    assert issues(answer)[0]["code"] == "too-long"
    assert client.get("/fhir/Binary/b").status_code == 404
