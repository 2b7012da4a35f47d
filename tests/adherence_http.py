"""Adherence over HTTP: children entered by requests, and what is read out of the answers."""

from datetime import UTC, datetime
from decimal import Decimal
from typing import Any

import httpx
import worked_example
from api_client import Client, resource
from set_clock import Clock

from service.fhir.json import JsonObject, write

FORTNIGHT = f"start={worked_example.FIRST}&end={worked_example.LAST}"
HOME = "home-204"


def upload(client: Client, *documents: JsonObject) -> None:
    body = b"".join(write(document) + b"\n" for document in documents)
    answer = client.request(
        "POST", "/sessions", content=body, headers={"content-type": "application/x-ndjson"}
    )
    lines = answer.text.splitlines()
    assert len(lines) == len(documents)
    assert all('"accepted"' in line for line in lines), answer.text


def post_programme(client: Client, document: JsonObject) -> httpx.Response:
    answer = client.post("/programmes", document, content_type="application/json")
    assert answer.status_code == 201, answer.text
    return answer


def reports(answer: httpx.Response) -> dict[str, Any]:
    """MeasureReports by figure."""
    assert answer.status_code == 200, answer.text
    assert answer.headers["content-type"] == "application/fhir+json"
    entries = [entry["resource"] for entry in resource(answer)["entry"]]
    return {one["measure"].partition("|")[0].rpartition("-")[2]: one for one in entries}


def score(report: Any) -> Decimal:
    value: Decimal = report["group"][0]["measureScore"]["value"]
    return value


def counts(report: Any) -> dict[str, int]:
    populations = report["group"][0]["population"]
    return {one["code"]["coding"][0]["code"]: one["count"] for one in populations}


class Fortnight:
    """The child of the worked example, entered over HTTP: two plans, logs, a spell, a holiday."""

    def __init__(self, client: Client, clock: Clock) -> None:
        first, second = ({"id": HOME, **raw} for raw in worked_example.PROGRAMMES)
        clock.now = datetime(2031, 3, 20, 9, tzinfo=UTC)
        made = post_programme(client, first)
        clock.now = datetime(2031, 4, 3, 9, tzinfo=UTC)
        changed = client.put(
            f"/programmes/{HOME}",
            second,
            content_type="application/json",
            if_match=made.headers["etag"],
        )
        self.plans = [resource(answer)["carePlan"] for answer in (made, changed)]
        clock.now = datetime(2031, 4, 7, 9, tzinfo=UTC)
        upload(
            client,
            *worked_example.SESSIONS,
            {"kind": "health-state", **worked_example.STATE},
            {"kind": "pause", **worked_example.PAUSE},
        )
        child = worked_example.CHILD
        (self.patient,) = client.ids(f"Patient?identifier={child['system']}|{child['value']}")


# -- two a day for a week --------------------------------------------------------------------------

DONE = (4, 1, 2, 2, 0, 1, 4)
CHILD = {"system": "https://clinic.example/child", "value": "C-9"}
WEEK = "start=2031-05-05&end=2031-05-11"


def two_a_day() -> JsonObject:
    return {
        **worked_example.PROGRAMMES[0],
        "id": "week",
        "child": {
            "identifier": [CHILD],
            "name": {"text": "Pim Invented"},
            "birthDate": "2022-09-30",
        },
        "start": "2031-05-01",
        "regimen": [
            {
                "key": "opep",
                "technique": "opep",
                "healthState": "any",
                "schedule": {"frequency": 2, "period": 1, "periodUnit": "d"},
                "dose": {"basis": "cycles", "cycles": 6, "breaths": 10},
            }
        ],
    }


def logged(day: int, number: int) -> JsonObject:
    return {
        "id": {"system": "https://diary.example/session", "value": f"{day}-{number}"},
        "source": "phone diary",
        "child": CHILD,
        "technique": "opep",
        "start": f"2031-05-{5 + day:02}T{8 + 3 * number:02}:00:00+02:00",
        "recordedBy": "diary",
        "outcome": "complete",
    }
