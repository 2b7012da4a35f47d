"""Goal/$progress over HTTP: the weeks of the worked fortnight, and that nothing is written."""

from typing import Any

import pytest
import worked_example
from adherence_http import FORTNIGHT, Fortnight
from api_client import Client, issues, resource
from serious import serious
from set_clock import Clock

from service.api.services import Services

MEASURE = "https://airway-programmes.example/fhir/CodeSystem/airway-goal-measure"


def _goal(child: str, measure: str = "sessions-per-week", **more: Any) -> dict[str, Any]:
    return {
        "resourceType": "Goal",
        "id": "ours",
        "identifier": [
            {"system": "https://airway-programmes.example/fhir/goal", "value": "home-204/weekly"}
        ],
        "lifecycleStatus": "active",
        "description": {"text": "Ten in a week"},
        "subject": {"reference": f"Patient/{child}"},
        "expressedBy": {"reference": f"Patient/{child}"},
        "target": [
            {
                "measure": {"coding": [{"system": MEASURE, "code": measure}]},
                "detailQuantity": {"value": 10, "unit": "/wk"},
            }
        ],
        **more,
    }


def _put(client: Client, goal: dict[str, Any]) -> Any:
    answer = client.put(f"/fhir/Goal/{goal['id']}", goal)
    assert answer.status_code in (200, 201), answer.text
    return answer


@pytest.fixture
def child(client: Client, clock: Clock) -> str:
    return Fortnight(client, clock).patient


def _weeks(answer: Any) -> list[tuple[str, float, str]]:
    assert answer.status_code == 200, answer.text
    parts = [one["part"] for one in resource(answer)["parameter"] if one["name"] == "week"]
    told = [{part["name"]: part for part in week} for week in parts]
    return [
        (
            week["period"]["valuePeriod"]["start"],
            float(week["done"]["valueDecimal"]),
            week["standing"]["valueCode"],
        )
        for week in told
    ]


def test_the_fortnight_against_ten_a_week(client: Client, services: Services, child: str) -> None:
    """Sessions of the first week: 1, 2, 0, 2, 1, 3 and 2, so 11 (one of the 28th was told twice,
    the third of the 29th was extra); of the second 0, 1 on holiday, 0, 1, 1, 2 and 0, so 5; two of
    its days were paused."""
    _put(client, _goal(child))
    answer = client.get(f"/fhir/Goal/ours/$progress?{FORTNIGHT}")
    assert _weeks(answer) == [("2031-03-24", 11, "reached"), ("2031-03-31", 5, "paused")]
    assert serious(services.validator.validate(resource(answer))) == []
    body = {
        "resourceType": "Parameters",
        "parameter": [
            {"name": "start", "valueDate": worked_example.FIRST},
            {"name": "end", "valueDate": worked_example.LAST},
        ],
    }
    assert client.post("/fhir/Goal/ours/$progress", body).content == answer.content


def test_the_goal_stays_as_it_is(client: Client, child: str) -> None:
    made = _put(client, _goal(child))
    client.get(f"/fhir/Goal/ours/$progress?{FORTNIGHT}")
    after = client.get("/fhir/Goal/ours")
    assert after.headers["etag"] == made.headers["etag"]
    assert "achievementStatus" not in resource(after)


def test_a_target_that_changed_is_taken_as_it_was_known(
    client: Client, clock: Clock, child: str
) -> None:
    _put(client, _goal(child))
    then = clock.now.isoformat().replace("+00:00", "Z")
    clock.move(days=1)
    goal = _goal(child)
    goal["target"][0]["detailQuantity"]["value"] = 12
    _put(client, goal)
    path = f"/fhir/Goal/ours/$progress?{FORTNIGHT}"
    assert [week[2] for week in _weeks(client.get(path))] == ["not-reached", "paused"]
    known = _weeks(client.get(f"{path}&knownAt={then}"))
    assert [week[2] for week in known] == ["reached", "paused"]


def test_what_is_refused(client: Client, child: str) -> None:
    _put(client, _goal(child, measure="own-words"))
    answer = client.get(f"/fhir/Goal/ours/$progress?{FORTNIGHT}")
    assert answer.status_code == 422
    assert [issue["expression"] for issue in issues(answer)] == [["Goal.target"]]
    assert client.get(f"/fhir/Goal/none/$progress?{FORTNIGHT}").status_code == 404
    assert client.get("/fhir/Goal/ours/$progress").status_code == 400
    assert client.get(f"/fhir/Goal/ours/$progress?{FORTNIGHT}&table=x").status_code == 400
