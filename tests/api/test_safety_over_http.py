"""Safety findings as a family and a team meet them: the service in a process, over a socket."""

import json
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import httpx
import pytest
from engines import postgres_address
from safety_family import CHILD, PROGRAMME, session
from served_process import served

pytestmark = pytest.mark.engines

NOW = datetime.now(UTC)
"""The service goes by the computer's clock."""

YESTERDAY = (NOW - timedelta(days=1)).isoformat(timespec="seconds")
A_MONTH_AGO = (NOW - timedelta(days=30)).date().isoformat()
_FHIR = {"content-type": "application/fhir+json"}
_RULE = "https://airway-programmes.example/fhir/CodeSystem/airway-safety-rule"


class Clinic:
    """Asks a service that is running."""

    def __init__(self, client: httpx.Client) -> None:
        self.client = client

    def send(self, *documents: dict[str, Any]) -> list[dict[str, Any]]:
        body = "".join(f"{json.dumps(one)}\n" for one in documents)
        headers = {"content-type": "application/x-ndjson"}
        answer = self.client.post("/sessions", content=body, headers=headers)
        assert answer.status_code == 200, answer.text
        return [json.loads(line) for line in answer.text.splitlines()]

    def of(self, type_: str, rule: str) -> list[dict[str, Any]]:
        """What is told of a rule."""
        found = self.get(f"/fhir/{type_}?code={_RULE}|{rule}")
        return [one["resource"] for one in found.get("entry", [])]

    def get(self, path: str) -> Any:
        answer = self.client.get(path)
        assert answer.status_code == 200, answer.text
        return answer.json()

    def put(self, resource: dict[str, Any], **changes: Any) -> None:
        path = f"/fhir/{resource['resourceType']}/{resource['id']}"
        answer = self.client.put(path, json=resource | changes, headers=_FHIR)
        assert answer.status_code == 200, answer.text

    def post(self, path: str, body: Any) -> httpx.Response:
        answer = self.client.post(path, json=body, headers=_FHIR)
        assert answer.is_success, answer.text
        return answer


def bleed(number: int, millilitres: float) -> dict[str, Any]:
    blood = {"seen": "streaks", "volume": millilitres, "scheme": "clinic scheme"}
    start = NOW - timedelta(hours=40 - number)
    return session(number, blood=blood, start=start.isoformat(timespec="seconds"))


@pytest.fixture
def clinic(tmp_path: Path, engine: str) -> Iterator[Clinic]:
    store = postgres_address(tmp_path) if engine == "postgresql" else str(tmp_path / "r.sqlite")
    with served(store, tmp_path) as address, httpx.Client(base_url=address, timeout=30) as client:
        programme = PROGRAMME | {"start": A_MONTH_AGO, "review": {"due": YESTERDAY[:10]}}
        posted = client.post("/programmes", json=programme)
        assert posted.status_code == 201, posted.text
        yield Clinic(client)


def test_five_millilitres_of_blood(clinic: Clinic) -> None:
    (line,) = clinic.send(bleed(1, 5))
    assert "more than streaks of blood" in line["notice"]
    assert "Stop, and do what the plan says" in line["notice"]
    assert line["caution"] == PROGRAMME["safetyNet"]
    (issue,) = clinic.of("DetectedIssue", "blood-more")
    (task,) = clinic.of("Task", "blood-more")
    assert issue["severity"] == "high"
    assert [one["detail"][0]["reference"] for one in issue["evidence"]] == [
        f"{line['reference']}/_history/1"
    ]
    assert (task["status"], task["priority"]) == ("requested", "urgent")

    assert clinic.send(bleed(1, 5))[0]["status"] == "duplicate"
    assert clinic.of("DetectedIssue", "blood-more") == [issue]
    assert clinic.of("Task", "blood-more") == [task]

    clinic.send(bleed(2, 8))
    (issue,) = clinic.of("DetectedIssue", "blood-more")
    (task,) = clinic.of("Task", "blood-more")
    assert len(issue["evidence"]) == 2
    assert task["status"] == "requested"

    clinic.put(task, status="completed")
    clinic.send(bleed(1, 5))
    assert clinic.of("Task", "blood-more")[0]["status"] == "completed"
    (third,) = clinic.send(bleed(3, 9))
    (task,) = clinic.of("Task", "blood-more")
    assert task["status"] == "requested"

    clinic.put(clinic.get(f"/fhir/{third['reference']}"), status="entered-in-error")
    (issue,) = clinic.of("DetectedIssue", "blood-more")
    assert len(issue["evidence"]) == 2
    assert "9 mL" not in json.dumps(issue)


def test_every_road_is_looked_through(clinic: Clinic) -> None:
    """A log sent as a resource, and resources loaded in bulk."""
    (line,) = clinic.send(session(1, start=YESTERDAY))
    calm = clinic.get(f"/fhir/{line['reference']}")
    faint = {"code": _part("faint"), "valueBoolean": True}
    sent = _another(calm, "sent") | {"component": [*calm["component"], faint]}
    clinic.post("/fhir/Observation", sent)
    assert len(clinic.of("Task", "faintness")) == 1

    pain = {"code": _part("chest-pain"), "valueBoolean": True}
    loaded = _another(calm, "loaded") | {"id": "log", "component": [*calm["component"], pain]}
    body = json.dumps(loaded)
    answer = clinic.client.post(
        "/fhir/$load", content=body, headers={"content-type": "application/fhir+ndjson"}
    )
    assert answer.status_code == 200, answer.text
    (issue,) = clinic.of("DetectedIssue", "chest-pain")
    assert issue["evidence"][0]["detail"] == [{"reference": "Observation/log/_history/1"}]
    assert clinic.of("Task", "chest-pain")[0]["priority"] == "stat"


def test_what_the_clock_brings_about_is_found_when_somebody_asks(clinic: Clinic) -> None:
    path = "/fhir/Patient?identifier={system}|{value}".format(**CHILD)
    patient = clinic.get(path)["entry"][0]["resource"]["id"]
    assert clinic.of("DetectedIssue", "review-overdue") == []
    ask = f"/fhir/Patient/{patient}/$assess-safety"
    found = clinic.post(ask, {"resourceType": "Parameters"}).json()
    assert found["type"] == "collection"
    (entry,) = found["entry"]
    issue = entry["resource"]
    assert issue["code"]["coding"][0]["code"] == "review-overdue"
    assert issue["severity"] == "low"
    assert issue["evidence"][0]["detail"][0]["reference"].startswith("CarePlan/")
    (task,) = clinic.of("Task", "review-overdue")
    assert task["priority"] == "routine"
    again = clinic.client.post(ask)
    assert again.json()["entry"] == found["entry"]
    clinic.put(task, status="completed")
    clinic.client.post(ask)
    assert clinic.of("Task", "review-overdue")[0]["status"] == "completed"
    assert clinic.client.post("/fhir/Patient/nobody/$assess-safety").status_code == 404
    assert clinic.client.get(ask).status_code == 405


def test_the_rules_can_be_read(clinic: Clinic) -> None:
    url = "https://airway-programmes.example/fhir/PlanDefinition/airway-safety"
    (entry,) = clinic.get(f"/fhir/PlanDefinition?url={url}")["entry"]
    assert entry["resource"] | {"meta": None} == clinic.get(
        "/fhir/PlanDefinition/airway-safety"
    ) | {"meta": None}
    assert clinic.client.put(
        "/fhir/PlanDefinition/airway-safety", json=entry["resource"], headers=_FHIR
    ).status_code in (404, 405)


def _another(observation: dict[str, Any], number: str) -> dict[str, Any]:
    own = [{"system": "https://diary.example/session", "value": number}]
    kept = {name: part for name, part in observation.items() if name not in ("id", "meta")}
    return kept | {"identifier": own}


def _part(code: str) -> dict[str, Any]:
    system = "https://airway-programmes.example/fhir/CodeSystem/airway-session-part"
    return {"coding": [{"system": system, "code": code}]}
