"""fhirclient (the SMART project's Python models), unmodified, over a socket.

Its models are strict about R4: whatever the server answers must fit them. It has no call of its
own for PATCH and none for conditions; its HTTP session is used for those, and says so.
"""

from collections.abc import Iterator
from typing import Any

import client_programme as sent
import pytest
import requests
from fhirclient.models.bundle import Bundle
from fhirclient.models.capabilitystatement import CapabilityStatement
from fhirclient.models.careplan import CarePlan
from fhirclient.models.goal import Goal
from fhirclient.models.observation import Observation
from fhirclient.models.patient import Patient
from fhirclient.server import FHIRNotFoundException, FHIRServer


@pytest.fixture
def server(base: str) -> Iterator[FHIRServer]:
    server = FHIRServer(None, base_uri=base)
    server.prepare()
    yield server
    server.session.close()


@pytest.fixture
def family(server: FHIRServer, mark: str) -> Any:
    return Bundle(sent.transaction(mark)).create(server)


def test_the_capability_statement_fits_the_models(server: FHIRServer) -> None:
    statement = server.capabilityStatement
    assert isinstance(statement, CapabilityStatement)
    assert {"CarePlan", "Observation"} <= {one.type for one in statement.rest[0].resource}
    assert server.ready


def test_a_programme_is_created_and_found_by_chains_and_includes(
    server: FHIRServer, family: Any, mark: str
) -> None:
    plan = CarePlan.read(sent.made(family, "CarePlan").split("/")[1], server)
    assert plan.subject.resolved(Patient).name[0].family == f"Invented{mark}"
    assert plan.goal[0].resolved(Goal).description.text == "Ten sessions in a week"

    by_child = CarePlan.where({"subject": {"$type": "Patient", "name": f"Invented{mark}"}})
    assert by_child.construct() == f"CarePlan?subject:Patient.name=Invented{mark}"
    assert [one.id for one in by_child.perform_resources_iter(server)] == [plan.id]
    found = CarePlan.where({"_id": plan.id}).include("subject").perform_resources_iter(server)
    assert {one.resource_type for one in found} == {"CarePlan", "Patient"}
    both = Patient.where({"name": f"Invented{mark}"}).include("subject", Goal, reverse=True)
    assert {one.resource_type for one in both.perform_resources_iter(server)} == {"Patient", "Goal"}


def test_500_observations_are_paged_through(server: FHIRServer, family: Any, mark: str) -> None:
    patient = sent.made(family, "Patient")
    Bundle(sent.sessions(patient, mark)).create(server)
    search = Observation.where({"subject": patient, "_count": "60", "_sort": "date"})
    found = list(search.perform_resources_iter(server))
    values = [one.identifier[0].value for one in found]
    assert values == [f"{mark}-{number:03}" for number in range(sent.SESSIONS)]
    pages = [len(page.entry) for page in search.perform_iter(server)]
    assert pages == [60] * 8 + [20]


def test_a_stale_etag_a_patch_history_and_deletion(server: FHIRServer, family: Any) -> None:
    plan = CarePlan.read(sent.made(family, "CarePlan").split("/")[1], server)
    plan.title = "First title"
    assert plan.update(server)["meta"]["versionId"] == "2"

    server.session.headers["If-Match"] = 'W/"1"'
    with pytest.raises(requests.HTTPError, match="412"):
        plan.update(server)
    del server.session.headers["If-Match"]

    patched = server.session.patch(
        f"{server.base_uri}CarePlan/{plan.id}",
        json=[{"op": "replace", "path": "/title", "value": "Second title"}],
        headers={"Content-Type": "application/json-patch+json"},
    )
    assert CarePlan(patched.json()).title == "Second title"

    history = Bundle.read_from(f"CarePlan/{plan.id}/_history", server)
    assert [entry.resource.title for entry in history.entry] == [
        "Second title",
        "First title",
        None,
    ]
    plan.delete(server)
    with pytest.raises(requests.HTTPError, match="410"):
        CarePlan.read(plan.id, server)
    with pytest.raises(FHIRNotFoundException):
        CarePlan.read("never-was", server)
    gone = Bundle.read_from(f"CarePlan/{plan.id}/_history", server)
    assert [entry.request.method for entry in gone.entry] == ["DELETE", "PUT", "PUT", "POST"]


def test_conditional_create(server: FHIRServer, mark: str) -> None:
    child = Patient({"identifier": [{"system": sent.CHILDREN, "value": f"twice-{mark}"}]})
    once = f"identifier={sent.CHILDREN}|twice-{mark}"
    server.session.headers["If-None-Exist"] = once
    first, second = child.create(server), child.create(server)
    assert first["id"] == second["id"]
    assert len(list(Patient.where({"identifier": once[11:]}).perform_resources_iter(server))) == 1
