"""The CapabilityStatement says what is served, no more and no less."""

from typing import Any

import pytest
from api_client import BASE, Client, places, resource
from fhir.resources.R4B import get_fhir_model_class
from serious import serious

from service.api.services import Services

METHODS = {
    "read": ("GET", "/fhir/{type}/x"),
    "vread": ("GET", "/fhir/{type}/x/_history/1"),
    "update": ("PUT", "/fhir/{type}/x"),
    "delete": ("DELETE", "/fhir/{type}/x"),
    "history-instance": ("GET", "/fhir/{type}/x/_history"),
    "history-type": ("GET", "/fhir/{type}/_history"),
    "create": ("POST", "/fhir/{type}"),
    "search-type": ("GET", "/fhir/{type}"),
}
"""How each interaction is asked for (R4 http.html#summary)."""


@pytest.fixture
def statement(client: Client) -> Any:
    return resource(client.get("/fhir/metadata"))


def test_it_is_a_capability_statement(statement: Any, services: Services) -> None:
    assert serious(services.validator.validate(statement)) == []
    get_fhir_model_class("CapabilityStatement").model_validate(statement)
    assert statement["implementation"]["url"] == BASE
    assert statement["fhirVersion"] == "4.0.1"
    assert "no authorisation" in statement["rest"][0]["documentation"]


def test_what_it_says_is_served_is_answered_and_the_rest_is_not(
    client: Client, statement: Any
) -> None:
    for told in statement["rest"][0]["resource"]:
        codes = {part["code"] for part in told.get("interaction", ())}
        for code, (method, path) in METHODS.items():
            answer = client.send(method, path.format(type=told["type"]), "")
            refused = answer.status_code == 405
            assert refused == (code not in codes), (told["type"], code)


def test_every_search_parameter_that_it_names_is_understood(client: Client, statement: Any) -> None:
    for told in statement["rest"][0]["resource"]:
        for parameter in told.get("searchParam", ()):
            path = f"/fhir/{told['type']}?{parameter['name']}:missing=true"
            answer = client.get(path, prefer="handling=strict")
            known = answer.status_code == 200 or parameter["name"] in ("_id", "_lastUpdated")
            assert known, path


def test_every_include_that_it_names_is_understood(client: Client, statement: Any) -> None:
    named = 0
    for told in statement["rest"][0]["resource"]:
        for way in ("Include", "RevInclude"):
            for include in told.get(f"search{way}", ()):
                path = f"/fhir/{told['type']}?_{way.lower()}={include}"
                assert client.get(path, prefer="handling=strict").status_code == 200, path
                named += 1
    assert named > 100


def test_our_profiles_and_operations_are_named_and_can_be_read(
    client: Client, statement: Any
) -> None:
    named = 0
    for told in statement["rest"][0]["resource"]:
        for canonical in told.get("supportedProfile", []):
            assert len(client.ids(f"StructureDefinition?url={canonical}")) == 1
            named += 1
        for operation in told.get("operation", []):
            assert len(client.ids(f"OperationDefinition?url={operation['definition']}")) == 1
    assert named >= 9


def test_operations_are_answered_where_they_are_named_and_nowhere_else(
    client: Client, statement: Any
) -> None:
    resources = statement["rest"][0]["resource"]
    known = {one["name"] for told in resources for one in told.get("operation", [])}
    assert known == {
        "adherence",
        "document",
        "everything",
        "expand",
        "lastn",
        "lookup",
        "meta",
        "meta-add",
        "meta-delete",
        "translate",
        "validate",
        "validate-code",
    }
    for told in resources:
        named = {one["name"] for one in told.get("operation", [])}
        for name in known:
            answers = [
                client.send("POST", f"/fhir/{told['type']}{at}/${name}", "{") for at in ("", "/x")
            ]
            is_served = any(answer.status_code != 404 for answer in answers)
            assert is_served == (name in named), (told["type"], name)


def test_an_operation_takes_every_parameter_of_its_definition(
    client: Client, statement: Any
) -> None:
    """Of our own ones: a value that none can have is refused at the parameter."""
    asked = []
    for told in statement["rest"][0]["resource"]:
        for operation in told.get("operation", []):
            if operation["definition"].startswith("http://hl7.org/fhir/"):
                continue
            found = resource(client.get(f"/fhir/OperationDefinition?url={operation['definition']}"))
            for entry in found["entry"]:
                inward = [one for one in entry["resource"]["parameter"] if one["use"] == "in"]
                good = {"start": "2031-05-01", "end": "2031-05-02"}
                good = {one["name"]: good[one["name"]] for one in inward if one["name"] in good}
                for name in [one["name"] for one in inward]:
                    pairs = "&".join(f"{key}={text}" for key, text in (good | {name: "~"}).items())
                    answer = client.get(f"/fhir/{told['type']}/x/${operation['name']}?{pairs}")
                    assert (answer.status_code, places(answer)) == (400, [f"http.{name}"])
                    asked.append(name)
    assert sorted(asked) == sorted(2 * ["start", "end", "knownAt"] + ["persist"])


def test_bundles_are_taken_as_it_says_and_other_types_are_not_served(
    client: Client, statement: Any
) -> None:
    (rest,) = statement["rest"]
    for code in ("batch", "transaction"):
        assert {"code": code} in rest["interaction"]
        answer = client.post("/fhir", {"resourceType": "Bundle", "type": code, "entry": []})
        assert resource(answer)["type"] == f"{code}-response"
    assert client.get("/fhir?_type=Patient").status_code == 200
    assert "Appointment" not in {told["type"] for told in rest["resource"]}
    assert client.get("/fhir/Appointment").status_code == 404
