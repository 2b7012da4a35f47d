"""fhirpy, unmodified, over a socket: the same visit with its synchronous and asynchronous client.

https://github.com/beda-software/fhir-py - what is asked for is the client's own public surface.
"""

import asyncio
from typing import Any

import client_programme as sent
import pytest
from fhirpy import AsyncFHIRClient, SyncFHIRClient
from fhirpy.base.exceptions import MultipleResourcesFound, OperationOutcome, ResourceNotFound

JSON_PATCH = {"Content-Type": "application/json-patch+json"}


@pytest.fixture
def client(base: str) -> SyncFHIRClient:
    return SyncFHIRClient(base)


@pytest.fixture
def family(client: SyncFHIRClient, mark: str) -> Any:
    """The answer to the transaction that creates a programme."""
    return client.execute("", data=sent.transaction(mark))


def test_a_programme_is_created_and_found_by_chains_and_includes(
    client: SyncFHIRClient, family: Any, mark: str
) -> None:
    assert [entry.response.status[:3] for entry in family.entry] == ["201"] * 6
    patient, plan = sent.made(family, "Patient"), sent.made(family, "CarePlan")
    plans = client.resources("CarePlan")

    child = f"{sent.CHILDREN}|PEBBLE-{mark}"
    (found,) = plans.search(**{"subject:Patient.identifier": child}).fetch()
    assert found.to_reference().reference == plan
    assert found["subject"].to_resource()["name"][0]["family"] == f"Invented{mark}"
    assert [one.id for one in plans.search(subject__Patient__name=f"Invented{mark}").fetch()] == [
        found.id
    ]
    assert not plans.search(**{"subject:Patient.identifier": f"{sent.CHILDREN}|none"}).fetch()

    whole = (
        plans.search(_id=found.id)
        .include("CarePlan", "subject")
        .include("CarePlan", "activity-reference")
        .include("CarePlan", "goal")
        .fetch_raw()
    )
    assert {entry.resource.resource_type: entry.search.mode for entry in whole.entry} == {
        "CarePlan": "match",
        "Patient": "include",
        "ServiceRequest": "include",
        "Goal": "include",
    }
    back = client.resources("Patient").search(_id=patient.split("/")[1])
    about = back.revinclude("Goal", "subject").fetch_raw()
    assert {entry.resource.resource_type for entry in about.entry} == {"Patient", "Goal"}
    has = client.resources("Patient").has("CarePlan", "subject", status="active")
    assert patient.split("/")[1] in {one.id for one in has.fetch_all()}


def test_500_observations_are_paged_through(client: SyncFHIRClient, family: Any, mark: str) -> None:
    patient = sent.made(family, "Patient")
    answer = client.execute("", data=sent.sessions(patient, mark))
    assert {entry.response.status[:3] for entry in answer.entry} == {"201"}
    sessions = client.resources("Observation").search(subject=patient)
    assert sessions.count() == sent.SESSIONS
    for page in (7, 100, 1000):
        found = sessions.limit(page).sort("date").fetch_all()
        values = [one["identifier"][0]["value"] for one in found]
        assert values == [f"{mark}-{number:03}" for number in range(sent.SESSIONS)]
    first_days = sessions.search(date__lt="2031-03-12T07:00:00Z").fetch_all()
    assert len(first_days) == 20
    assert sessions.elements("code").first().keys() >= {"id", "code", "meta"}


def test_a_stale_etag_is_refused_and_history_tells_all(
    base: str, client: SyncFHIRClient, family: Any
) -> None:
    plan = client.reference(reference=sent.made(family, "CarePlan")).to_resource()
    plan["title"] = "First title"
    plan.save()
    assert plan["meta"]["versionId"] == "2"

    stale = SyncFHIRClient(base, extra_headers={"If-Match": 'W/"1"'})
    with pytest.raises(MultipleResourcesFound, match="OperationOutcome"):  # its name for a 412
        stale.execute(f"CarePlan/{plan.id}", method="put", data=plan.serialize())

    patching = SyncFHIRClient(base, extra_headers=JSON_PATCH)
    change: Any = [{"op": "replace", "path": "/title", "value": "Second title"}]
    patched = patching.execute(f"CarePlan/{plan.id}", method="patch", data=change)
    assert (patched["title"], patched["meta"]["versionId"]) == ("Second title", "3")
    with pytest.raises(OperationOutcome):
        plan.patch(title="Third title")  # a body that is no JSON Patch, and says so by its type

    history = client.execute(f"CarePlan/{plan.id}/_history", method="get")
    assert [entry.resource.get("title") for entry in history.entry] == [
        "Second title",
        "First title",
        None,
    ]
    plan.refresh()
    assert plan["title"] == "Second title"
    old = client.execute(f"CarePlan/{plan.id}/_history/2", method="get")
    assert old["title"] == "First title"


def test_conditions_and_deletion(base: str, client: SyncFHIRClient, mark: str) -> None:
    body = {
        "resourceType": "Patient",
        "identifier": [{"system": sent.CHILDREN, "value": f"twice-{mark}"}],
    }
    once = {"If-None-Exist": f"identifier={sent.CHILDREN}|twice-{mark}"}
    careful = SyncFHIRClient(base, extra_headers=once)
    first = careful.execute("Patient", data=body)
    second = careful.execute("Patient", data=body)
    assert first["id"] == second["id"]
    assert second["meta"]["versionId"] == "1"

    same = client.resources("Patient").search(identifier=f"{sent.CHILDREN}|twice-{mark}")
    changed, is_new = same.update(client.resource("Patient", **body, gender="other"))
    assert (changed["gender"], changed.id, is_new) == ("other", first["id"], False)

    assert client.resource("Patient", **changed).is_valid()
    assert not client.resource("Patient", gender="none").is_valid()
    same.delete()
    with pytest.raises(ResourceNotFound):
        changed.refresh()
    assert not same.fetch()


def test_the_asynchronous_client(base: str, mark: str) -> None:
    async def visit() -> None:
        client = AsyncFHIRClient(base)
        answer = await client.execute("", data=sent.transaction(mark))
        patient, plan = sent.made(answer, "Patient"), sent.made(answer, "CarePlan")
        bodies = sent.sessions(patient, mark)["entry"][:40]
        await asyncio.gather(
            *(client.resource("Observation", **one["resource"]).create() for one in bodies)
        )
        sessions = client.resources("Observation").search(subject=patient).limit(9)
        values = {one["identifier"][0]["value"] async for one in sessions}
        assert values == {f"{mark}-{number:03}" for number in range(40)}

        found = (
            await client.resources("CarePlan").search(**{"subject.name": f"Invented{mark}"}).get()
        )
        assert found.to_reference().reference == plan
        found["title"] = "Changed"
        await found.save()
        stale = AsyncFHIRClient(base, extra_headers={"If-Match": 'W/"1"'})
        with pytest.raises(MultipleResourcesFound):
            await stale.execute(plan, method="put", data=found.serialize())
        history = await client.execute(f"{plan}/_history", method="get")
        assert [entry.resource.meta.versionId for entry in history.entry] == ["2", "1"]
        await found.delete()
        with pytest.raises(ResourceNotFound):
            await client.get(*plan.split("/"))

    asyncio.run(visit())
