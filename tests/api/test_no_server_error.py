"""Whatever a client sends, the answer is its own fault or a success: never a 500."""

import json
from collections.abc import Iterator
from typing import Any
from urllib.parse import quote

import pytest
from api_client import Client, client_of, resource
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from search_language import parameters
from set_clock import Clock

from service.api.app import create_app
from service.api.types import STORED
from service.compose import open_services
from service.settings import Settings

Json = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=8),
    lambda inner: (
        st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=8), inner, max_size=3)
    ),
    max_leaves=8,
)
Types = st.sampled_from([*sorted(STORED), "Nonsense"])
Names = st.sampled_from(
    [
        *sorted({name for type_ in STORED for name in parameters().of_type(type_)}),
        *("_count", "_sort", "_page", "_since", "_format", "_total", "mode", "profile", "start"),
    ]
)
Modifiers = st.sampled_from(
    ["", ":not", ":missing", ":exact", ":Patient", ":identifier", ":above", ":text", ":in"]
)
Values = st.text(max_size=12) | st.sampled_from(
    [
        "2031-03-09",
        "eq2031",
        "Patient/p",
        "a|b",
        "|",
        "5.4|s|c",
        "-1",
        "0",
        "true",
        "1e999",
        "\\",
        "%",
    ]
)
Headers = st.fixed_dictionaries(
    {},
    optional={
        "If-Match": st.sampled_from(['W/"1"', '"x"', "*", "", 'W/"99999999999999999999"']),
        "If-None-Exist": st.sampled_from(["identifier=a|b", "x=1", "&&", "date=%ff", "_id=1"]),
        "Prefer": st.sampled_from(["return=minimal", "handling=strict", ";;=", "return"]),
        "Accept": st.sampled_from(["*/*", "text/csv", ";", "application/fhir+json;q=x"]),
    },
)
Paths = st.sampled_from(
    [
        "",
        "/p",
        "/_search",
        "/_history",
        "/p/_history",
        "/p/_history/1",
        "/p/_history/99999999999999999999999",
        "/$validate",
        "/p/$validate",
        "/p/$adherence",
    ]
)

RESOURCES: list[dict[str, Any]] = [
    {"resourceType": "Patient", "id": "p", "birthDate": "2020", "name": [{"family": "Q"}]},
    {
        "resourceType": "Observation",
        "id": "p",
        "status": "final",
        "code": {"coding": [{"system": "s", "code": "c"}]},
        "effectivePeriod": {"start": "2031-03-09T07:00:00Z", "end": "2031-03-09T07:10:00Z"},
        "component": [{"code": {"text": "x"}, "valueQuantity": {"value": 1, "code": "min"}}],
    },
    {
        "resourceType": "Bundle",
        "type": "transaction",
        "entry": [
            {
                "fullUrl": "urn:uuid:1",
                "request": {"method": "POST", "url": "Patient", "ifNoneExist": "_id=1"},
                "resource": {"resourceType": "Patient", "link": [{"other": {"reference": "a"}}]},
            },
            {"request": {"method": "GET", "url": "Patient/p"}},
        ],
    },
    {
        "resourceType": "Parameters",
        "parameter": [{"name": "resource", "resource": {"resourceType": "Patient"}}],
    },
]


@pytest.fixture(scope="module")
def client(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Client]:
    path = tmp_path_factory.mktemp("record") / "record.sqlite"
    store = Settings(store=path)
    with open_services(store, Clock()) as services, client_of(create_app(services)) as made:
        yield made


def check(answer: Any) -> None:
    assert answer.status_code < 500, answer.text
    if answer.status_code >= 400:
        assert resource(answer)["resourceType"] == "OperationOutcome"


often = settings(
    max_examples=150, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)


@often
@given(Types, Paths, st.lists(st.tuples(Names, Modifiers, Values), max_size=3), Headers)
def test_any_question(
    client: Client,
    type_: str,
    path: str,
    parameters: list[tuple[str, str, str]],
    headers: dict[str, str],
) -> None:
    query = "&".join(
        f"{name}{modifier}={quote(value.encode('utf-8', 'surrogatepass'))}"
        for name, modifier, value in parameters
    )
    check(client.request("GET", f"/fhir/{type_}{path}?{query}", headers=headers))


@st.composite
def damaged(draw: st.DrawFn) -> Any:
    """A resource in which one place says something else."""
    whole = json.loads(json.dumps(draw(st.sampled_from(RESOURCES))))
    at = whole
    while True:
        key = draw(st.sampled_from(sorted(at) if isinstance(at, dict) else range(len(at))))
        if not isinstance(at[key], dict | list) or not at[key] or draw(st.booleans()):
            at[key] = draw(Json)
            return whole
        at = at[key]


@often
@given(
    st.sampled_from(["POST", "PUT", "DELETE"]),
    st.sampled_from(["", "/Patient", "/Observation", "/Bundle"]),
    Paths,
    damaged(),
    Headers,
)
def test_any_body(
    client: Client, method: str, type_: str, path: str, body: Any, headers: dict[str, str]
) -> None:
    text = json.dumps(body).encode()
    named = {"Content-Type": "application/fhir+json", **headers}
    address = f"/fhir{type_}{path if type_ else ''}"
    check(client.request(method, address, content=text, headers=named))


@often
@given(st.binary(max_size=40), st.sampled_from(["/fhir", "/fhir/Patient", "/fhir/Patient/_search"]))
def test_any_bytes(client: Client, body: bytes, path: str) -> None:
    for kind in ("application/fhir+json", "application/x-www-form-urlencoded"):
        check(client.request("POST", path, content=body, headers={"Content-Type": kind}))
