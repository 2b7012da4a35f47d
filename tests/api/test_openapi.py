"""/openapi.json tells the truth: each road that it declares works so, and no other is served."""

from collections.abc import Callable
from itertools import product
from typing import Any

import pytest
from api_client import Client
from fastapi.routing import APIRoute
from programme_documents import CHILD, changed_dose, programme
from registry_clinic import RegistryClinic
from set_clock import Clock
from starlette.routing import Route

from service.api import health, metrics, programmes, registry, sessions
from service.api.app import create_app
from service.api.services import Services
from service.fhir.json import write

NDJSON = "application/x-ndjson"
HALF_YEAR = "half-year=2026-H1"
SESSION = {
    "source": "family-app",
    "child": CHILD["identifier"][0],
    "technique": "opep",
    "start": "2031-03-08T07:00:00+01:00",
    "recordedBy": "diary",
    "outcome": "complete",
}
WAYS: dict[tuple[str, str], Callable[[Client], Any]] = {
    ("get", "/health/live"): lambda client: client.get("/health/live"),
    ("get", "/health/ready"): lambda client: client.get("/health/ready"),
    ("get", "/metrics"): lambda client: client.get("/metrics"),
    ("post", "/programmes"): lambda client: _posted(client),
    ("get", "/programmes/{programme_id}"): lambda client: client.get("/programmes/meadow-7"),
    ("put", "/programmes/{programme_id}"): lambda client: _changed(client),
    ("get", "/programmes/{programme_id}/cautions"): lambda client: client.get(
        "/programmes/meadow-7/cautions"
    ),
    ("get", "/programmes/{programme_id}/versions"): lambda client: client.get(
        "/programmes/meadow-7/versions"
    ),
    ("get", "/programmes/{programme_id}/versions/{number}"): lambda client: client.get(
        "/programmes/meadow-7/versions/1"
    ),
    ("get", "/schemas/{name}"): lambda client: client.get("/schemas/session"),
    ("post", "/sessions"): lambda client: client.request(
        "POST",
        "/sessions?zone=Europe/Paris&source=app",
        content=write(SESSION),
        headers={"content-type": NDJSON, "device-clock": "2031-03-09T13:00:00+01:00"},
    ),
    ("get", "/registry/adherence"): lambda client: client.get(f"/registry/adherence?{HALF_YEAR}"),
    ("get", "/registry/adherence/manifest"): lambda client: client.get(
        f"/registry/adherence/manifest?{HALF_YEAR}"
    ),
    ("get", "/registry/codebook"): lambda client: client.get("/registry/codebook"),
}
"""How each road is asked for something that it has."""


def _posted(client: Client) -> Any:
    return client.post("/programmes", programme(id="another", child=_another_child()))


def _another_child() -> Any:
    return CHILD | {"identifier": [{**CHILD["identifier"][0], "value": "8"}]}


def _changed(client: Client) -> Any:
    tag = client.get("/programmes/meadow-7").headers["etag"]
    return client.put("/programmes/meadow-7", changed_dose(), if_match=tag)


@pytest.fixture
def described(client: Client, services: Services, clock: Clock) -> Any:
    """The paths of the description, over a record that has something to answer with."""
    clinic = RegistryClinic(services.record, clock)
    for number in range(1, 7):
        clinic.child(number, done=4 if number % 2 else 8)
    assert client.post("/programmes", programme()).status_code == 201
    return client.get("/openapi.json").json()["paths"]


def _declared(described: Any) -> set[tuple[str, str]]:
    return {(method, path) for path, methods in described.items() for method in methods}


def test_every_road_of_our_own_is_declared(described: Any, services: Services) -> None:
    routers = (health.router, metrics.router, programmes.router, registry.router, sessions.router)
    routes = [r for router in routers for r in router.routes if isinstance(r, APIRoute)]
    served = {(method.lower(), route.path) for route in routes for method in route.methods}
    assert served == _declared(described) == set(WAYS)
    rest = [route for route in create_app(services).own.routes if isinstance(route, Route)]
    assert {route.path for route in rest} == {"/openapi.json", "/docs", "/docs/{name}"}


@pytest.mark.parametrize("road", sorted(WAYS, key=lambda road: road[::-1]), ids=" ".join)
def test_it_answers_with_a_status_and_in_a_form_that_it_declares(
    road: tuple[str, str], client: Client, described: Any
) -> None:
    method, path = road
    answer = WAYS[road](client)
    assert answer.is_success, answer.text
    told = described[path][method]["responses"][str(answer.status_code)]
    assert answer.headers["content-type"].partition(";")[0] in told["content"]


def test_every_other_form_that_is_declared_can_be_had(client: Client, described: Any) -> None:
    asked = {"/registry/adherence": f"?{HALF_YEAR}", "/registry/codebook": ""}
    for path, query in asked.items():
        for form in described[path]["get"]["responses"]["200"]["content"]:
            answer = client.get(path + query, accept=form)
            assert answer.headers["content-type"].partition(";")[0] == form


def test_methods_that_are_not_declared_are_refused(client: Client, described: Any) -> None:
    for path, method in product(described, ("get", "post", "put", "patch", "delete")):
        if method not in described[path]:
            answer = client.send(method.upper(), path, "")
            assert answer.status_code == 405, (method, path)


def test_a_refusal_has_the_form_that_every_road_declares(client: Client, described: Any) -> None:
    for path, methods in described.items():
        for told in methods.values():
            assert set(told["responses"]) <= {"200", "201", "default"}, path
            assert list(told["responses"]["default"]["content"]) == ["application/fhir+json"]
    answer = client.get("/programmes/meadow-7/versions/first")
    assert (answer.status_code, answer.headers["content-type"]) == (400, "application/fhir+json")


def test_every_parameter_that_is_declared_is_understood(client: Client, described: Any) -> None:
    """A value that none can have is refused, at the road that declares the parameter."""
    sent = {"content": b"", "headers": {"content-type": "text/csv"}}
    nonsense: dict[tuple[str, str], Callable[[], Any]] = {
        ("/programmes/{programme_id}", "programme_id"): lambda: client.get("/programmes/~"),
        ("/programmes/{programme_id}", "if-match"): lambda: client.put(
            "/programmes/meadow-7", changed_dose(), if_match='"~"'
        ),
        ("/programmes/{programme_id}/cautions", "programme_id"): lambda: client.get(
            "/programmes/~/cautions"
        ),
        ("/programmes/{programme_id}/versions", "programme_id"): lambda: client.get(
            "/programmes/~/versions"
        ),
        ("/programmes/{programme_id}/versions/{number}", "programme_id"): lambda: client.get(
            "/programmes/~/versions/1"
        ),
        ("/programmes/{programme_id}/versions/{number}", "number"): lambda: client.get(
            "/programmes/meadow-7/versions/9"
        ),
        ("/schemas/{name}", "name"): lambda: client.get("/schemas/~"),
        ("/sessions", "map"): lambda: client.request("POST", "/sessions?map=~", **sent),
        ("/sessions", "zone"): lambda: client.request(
            "POST", "/sessions?map=phone-diary&zone=~", **sent
        ),
        ("/sessions", "device-clock"): lambda: client.request(
            "POST",
            "/sessions?map=phone-diary",
            content=b"",
            headers={"content-type": "text/csv", "device-clock": "~"},
        ),
        ("/registry/adherence", "half-year"): lambda: client.get("/registry/adherence?half-year=~"),
        ("/registry/adherence/manifest", "half-year"): lambda: client.get(
            "/registry/adherence/manifest?half-year=~"
        ),
    }
    free_text = {("/sessions", "source")}
    declared = {
        (path, parameter["name"])
        for path, methods in described.items()
        for told in methods.values()
        for parameter in told.get("parameters", [])
    }
    assert declared == nonsense.keys() | free_text
    for about, ask in nonsense.items():
        assert ask().status_code in (400, 404, 412), about
