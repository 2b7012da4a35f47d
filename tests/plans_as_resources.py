"""Plans as other systems send them: their resources one by one, in transactions."""

import json
from typing import Any

from api_client import Client, resource

from service.fhir.json import JsonObject
from service.mapping.canonical import PROGRAMME


def read(client: Client, reference: str) -> Any:
    return resource(client.get(f"/fhir/{reference}"))


def as_transaction(client: Client, plan: JsonObject, programme: str) -> JsonObject:
    """The plan and its requests once more, as new resources of another programme."""
    former = next(one["value"] for one in plan["identifier"] if one["system"] == PROGRAMME)
    members = [plan, *(read(client, one["reference"]["reference"]) for one in plan["activity"])]
    text = json.dumps(members, default=float)
    for number, one in enumerate(members):
        address = f"urn:uuid:0c3151bd-1cbf-4d64-b04d-cd9187a4c6e{number}"
        text = text.replace(f"{one['resourceType']}/{one['id']}", address)
    copies = json.loads(text.replace(former, programme))
    entries = [
        {
            "fullUrl": f"urn:uuid:0c3151bd-1cbf-4d64-b04d-cd9187a4c6e{number}",
            "resource": {name: part for name, part in one.items() if name not in ("id", "meta")},
            "request": {"method": "POST", "url": one["resourceType"]},
        }
        for number, one in enumerate(copies)
    ]
    return {"resourceType": "Bundle", "type": "transaction", "entry": entries}


def total(client: Client, type_: str) -> int:
    count: int = resource(client.get(f"/fhir/{type_}?_summary=count"))["total"]
    return count
