"""The CapabilityStatement says what is served, no more and no less."""

from typing import Any

import pytest
from api_client import BASE, Client, resource
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
        codes = {part["code"] for part in told["interaction"]}
        for code, (method, path) in METHODS.items():
            answer = client.send(method, path.format(type=told["type"]), "")
            refused = answer.status_code == 405
            assert refused == (code not in codes), (told["type"], code)


def test_every_search_parameter_that_it_names_is_understood(client: Client, statement: Any) -> None:
    for told in statement["rest"][0]["resource"]:
        for parameter in told["searchParam"]:
            path = f"/fhir/{told['type']}?{parameter['name']}:missing=true"
            answer = client.get(path, prefer="handling=strict")
            known = answer.status_code == 200 or parameter["name"] in ("_id", "_lastUpdated")
            assert known, path


def test_our_profiles_and_operations_are_named_and_can_be_read(
    client: Client, statement: Any
) -> None:
    named = 0
    for told in statement["rest"][0]["resource"]:
        for canonical in told.get("supportedProfile", []):
            assert len(client.ids(f"StructureDefinition?url={canonical}")) == 1
            named += 1
        for operation in told.get("operation", []):
            if operation["name"] != "validate":
                url = operation["definition"]
                assert len(client.ids(f"OperationDefinition?url={url}")) == 1
    assert named >= 9
