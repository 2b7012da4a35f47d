"""The CapabilityStatement says what is served, no more and no less."""

from typing import Any
from urllib.parse import quote

import pytest
from api_client import BASE, Client, places, resource
from fhir.resources.R4B import get_fhir_model_class
from serious import serious

from service.api.fhir import ROADS
from service.api.services import Services

METHODS = {
    "patch": ("PATCH", "/fhir/{type}/x"),
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


def test_every_road_is_stated_and_the_system_answers_what_it_says(
    client: Client, statement: Any
) -> None:
    system = {
        "search-system": ("GET", "/fhir?_type=Patient"),
        "history-system": ("GET", "/fhir/_history"),
        "batch": ("POST", "/fhir"),
        "transaction": ("POST", "/fhir"),
    }
    (rest,) = statement["rest"]
    stated = {one["code"] for one in rest["interaction"]}
    assert stated == system.keys()
    for method, path in system.values():
        assert client.send(method, path, "").status_code not in (404, 405), path
    of_types = {part["code"] for told in rest["resource"] for part in told.get("interaction", ())}
    assert {road.interaction for road in ROADS} - stated == of_types == METHODS.keys()


def test_conditions_are_honoured_as_it_says(client: Client, statement: Any) -> None:
    """A condition that none can read is refused as such, where conditions are looked at at all."""
    bad = "identifier=x%5C"
    for told in statement["rest"][0]["resource"]:
        path = f"/fhir/{told['type']}"
        body = {"resourceType": told["type"]}
        create = client.post(path, body, if_none_exist=bad)
        assert (create.status_code != 405) == told.get("conditionalCreate", False), path
        update = client.put(f"{path}?{bad}", body)
        assert (update.status_code != 405) == told.get("conditionalUpdate", False), path
        delete = client.delete(f"{path}?{bad}")
        single = told.get("conditionalDelete", "not-supported") == "single"
        assert (delete.status_code != 405) == single, path
        anew = client.put(f"{path}/never-was", body | {"id": "never-was"})
        assert (anew.status_code in (201, 422)) == told.get("updateCreate", False), path


def test_conditional_reads_versions_and_histories_are_as_it_says(
    client: Client, statement: Any
) -> None:
    stated = {told["type"]: told for told in statement["rest"][0]["resource"]}
    assert client.put("/fhir/Patient/x", {"resourceType": "Patient", "id": "x"}).is_success
    shipped = client.ids("StructureDefinition?_count=1")[0]
    for type_, id_ in (("Patient", "x"), ("StructureDefinition", shipped)):
        path, told = f"/fhir/{type_}/{id_}", stated[type_]
        read = client.get(path)
        assert told["conditionalRead"] == "full-support"
        assert client.get(path, if_none_match=read.headers["etag"]).status_code == 304
        since = {"if_modified_since": read.headers["last-modified"]}
        assert client.get(path, **since).status_code == 304
        assert (told["versioning"] == "versioned") == told["readHistory"]
        for further in ("/_history", "/_history/1"):
            answer = client.get(path + further)
            assert (answer.status_code == 200) == told["readHistory"], path


def test_patches_are_taken_in_the_forms_that_it_names(client: Client, statement: Any) -> None:
    assert client.put("/fhir/Patient/x", {"resourceType": "Patient", "id": "x"}).is_success
    forms = statement["patchFormat"]
    assert forms
    for form in [*forms, "application/xml-patch+xml", "text/plain"]:
        answer = client.send("PATCH", "/fhir/Patient/x", "", content_type=form)
        assert (answer.status_code != 415) == (form in forms), form


def test_terminology_has_a_statement_of_its_own(client: Client, services: Services) -> None:
    told = resource(client.get("/fhir/metadata?mode=terminology"))
    assert serious(services.validator.validate(told)) == []
    get_fhir_model_class("TerminologyCapabilities").model_validate(told)
    for system in told["codeSystem"][::40]:
        pairs = f"url={quote(system['uri'], safe='')}&code=no-such-code"
        answer = client.get(f"/fhir/CodeSystem/$validate-code?{pairs}")
        assert resource(answer)["parameter"][0] == {"name": "result", "valueBoolean": False}
    one = "http%3A%2F%2Fhl7.org%2Ffhir%2FValueSet%2Fgoal-status"
    good = {"count": "1", "offset": "1", "includeDesignations": "true", "excludeNested": "true"}
    good["valueSetVersion"] = "4.0.1"
    for parameter in told["expansion"]["parameter"]:
        value = good.get(parameter["name"], "en")
        answer = client.get(f"/fhir/ValueSet/$expand?url={one}&{parameter['name']}={value}")
        assert answer.status_code == 200, (parameter, answer.text)
    assert resource(client.get("/fhir/metadata?mode=normative"))["kind"] == "instance"
    refused = client.get("/fhir/metadata?mode=some")
    assert (refused.status_code, places(refused)) == (400, ["http.mode"])


VALUES = {
    "composite": "x$2031",
    "date": "2031",
    "number": "1",
    "quantity": "1",
    "reference": "x",
    "string": "x",
    "token": "x",
    "uri": "urn:x",
}


def test_every_search_parameter_that_it_names_is_understood(client: Client, statement: Any) -> None:
    for told in statement["rest"][0]["resource"]:
        for parameter in told.get("searchParam", ()):
            path = f"/fhir/{told['type']}?{parameter['name']}={VALUES[parameter['type']]}"
            assert client.get(path, prefer="handling=strict").status_code == 200, path
            assert parameter.get("definition") or parameter["name"] in ("_content", "_text"), path


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
        "assess-safety",
        "document",
        "evaluate-measure",
        "everything",
        "expand",
        "lastn",
        "lookup",
        "meta",
        "meta-add",
        "meta-delete",
        "progress",
        "translate",
        "review",
        "sheet",
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
    of_adherence = ["start", "end", "knownAt", "technique", "reportType", "table"]
    of_sheet = ["lang", "copy", "paper"]
    of_review = [*of_adherence[:3], "lang"]
    expected = [*3 * of_adherence, *of_adherence[:3], "persist", *of_sheet, *of_review]
    assert sorted(asked) == sorted(expected)


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


def test_search_parameters_that_are_served_can_be_looked_up(client: Client) -> None:
    """Exactly those that the statement names, each described in our own words."""
    told = resource(client.get("/fhir/metadata"))["rest"][0]["resource"]
    named = {
        one["definition"]
        for served in told
        for one in served.get("searchParam", ())
        if "definition" in one
    }
    found = resource(client.get("/fhir/SearchParameter?_count=1000"))
    kept = {entry["resource"]["url"]: entry["resource"] for entry in found["entry"]}
    assert kept.keys() == named
    assert len(named) > 400
    assert all(one["description"].startswith("R4 search parameter ") for one in kept.values())
    assert client.ids("SearchParameter?base=Task&code=owner") == ["Task-owner"]
    assert client.ids("SearchParameter?base=Account") == []
