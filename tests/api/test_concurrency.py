"""Many writers at once: nobody is overwritten unseen, and the same thing is made once."""

from collections import Counter
from typing import Any

import httpx
import pytest
from api_client import ADDRESS, Client, resource
from requests_sent import at_once

from service.api.services import Services

pytestmark = pytest.mark.engines

CONDITION = "identifier=https://example.org/s|app-17"
SESSION: dict[str, Any] = {
    "resourceType": "Observation",
    "status": "final",
    "code": {"text": "session"},
    "identifier": [{"system": "https://example.org/s", "value": "app-17"}],
}


def test_of_twenty_writers_who_saw_one_version_one_wins(client: Client, services: Services) -> None:
    child = {"resourceType": "Patient", "id": "p"}
    client.put("/fhir/Patient/p", child)
    client.put("/fhir/Patient/p", child | {"active": True})
    answers = at_once(
        services,
        [
            ("PUT", "/fhir/Patient/p", child | {"multipleBirthInteger": n}, {"if-match": 'W/"2"'})
            for n in range(1, 21)
        ],
    )
    assert Counter(answer.status_code for answer in answers) == {200: 1, 412: 19}
    assert len(resource(client.get("/fhir/Patient/p/_history"))["entry"]) == 3


@pytest.mark.parametrize("rounds", range(3))
def test_sixteen_conditional_creates_make_one(
    client: Client, services: Services, rounds: int
) -> None:
    wrapped = {
        "resourceType": "Bundle",
        "type": "transaction",
        "entry": [
            {
                "resource": SESSION,
                "request": {"method": "POST", "url": "Observation", "ifNoneExist": CONDITION},
            }
        ],
    }
    plain = ("POST", "/fhir/Observation", SESSION, {"if-none-exist": CONDITION})
    answers = at_once(services, [plain, ("POST", "/fhir", wrapped, {})] * 8)
    told = [
        (str(answer.status_code), answer.headers["location"].removeprefix(f"{ADDRESS}/fhir/"))
        if "location" in answer.headers
        else _of_entry(answer)
        for answer in answers
    ]
    assert Counter(status for status, _ in told) == {"201": 1, "200": 15}
    assert len({location for _, location in told}) == 1
    assert len(client.ids("Observation")) == 1


def _of_entry(answer: httpx.Response) -> tuple[str, str]:
    response = resource(answer)["entry"][0]["response"]
    return response["status"].split()[0], response["location"]
