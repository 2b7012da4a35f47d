"""Two invented children and what was observed of them, for tests of finding; pages to the end."""

from collections.abc import Iterator
from typing import Any

from api_client import BASE, Client, resource


def put_all(client: Client, *resources: dict[str, Any]) -> None:
    entries = [
        {
            "resource": one,
            "request": {"method": "PUT", "url": f"{one['resourceType']}/{one['id']}"},
        }
        for one in resources
    ]
    answer = client.post(
        "/fhir", {"resourceType": "Bundle", "type": "transaction", "entry": entries}
    )
    assert answer.status_code == 200, answer.text


def observation(id_: str, patient: str = "p1", **rest: Any) -> dict[str, Any]:
    head = {"resourceType": "Observation", "id": id_, "status": "final", "code": {"text": "s"}}
    return head | {"subject": {"reference": f"Patient/{patient}"}} | rest


def request_for(id_: str, **rest: Any) -> dict[str, Any]:
    head = {"resourceType": "ServiceRequest", "id": id_, "status": "active", "intent": "order"}
    return head | {"subject": {"reference": "Patient/p1"}} | rest


def clinic() -> Iterator[dict[str, Any]]:
    """Two children, their clinic, an order for one and what was observed of both."""
    yield {"resourceType": "Organization", "name": "Harbour", "id": "ward"}
    yield {
        "resourceType": "Organization",
        "name": "Harbour",
        "id": "desk",
        "partOf": {"reference": "Organization/ward"},
    }
    for id_ in ("p1", "p2"):
        yield {
            "resourceType": "Patient",
            "id": id_,
            "managingOrganization": {"reference": "Organization/desk"},
        }
    yield {"resourceType": "Practitioner", "id": "d1"}
    yield request_for("r1", requester={"reference": "Practitioner/d1"})
    based = [{"reference": "ServiceRequest/r1"}]
    yield observation("o1", basedOn=based, valueString="7.50")
    yield observation("o2", basedOn=based, effectiveDateTime="2031-03-02")
    yield observation("o3", patient="p2", effectiveDateTime="2031-03-01")


def pages(client: Client, path: str) -> Iterator[Any]:
    while path:
        answer = client.get(path)
        assert answer.status_code == 200, answer.text
        page = resource(answer)
        yield page
        links = {link["relation"]: link["url"] for link in page["link"]}
        assert ("first" in links) == ("_page" in links["self"])
        path = links.get("next", "").removeprefix(BASE.removesuffix("/fhir"))
