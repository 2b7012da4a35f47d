"""Small profiles for tests, written as FHIR has them."""

from typing import Any

from service.fhir.definitions import Definitions
from service.fhir.outcome import Finding
from service.fhir.validation import Validator

HOME = "https://example.org/ward"
HL7 = "http://hl7.org/fhir/StructureDefinition"
CODES = f"{HOME}/CodeSystem/code"


def element(identity: str, **facts: Any) -> dict[str, Any]:
    """An element of a differential; its path is the id without slices."""
    path = ".".join(step.partition(":")[0] for step in identity.split("."))
    name = identity.rpartition(".")[2].partition(":")[2]
    return {"id": identity, "path": path} | ({"sliceName": name} if name else {}) | facts


def profile(name: str, of: str, *elements: dict[str, Any], **more: Any) -> dict[str, Any]:
    """A profile on a type of R4, or on what ``baseDefinition`` says."""
    return {
        "resourceType": "StructureDefinition",
        "url": f"{HOME}/StructureDefinition/{name}",
        "kind": "resource",
        "type": of,
        "baseDefinition": f"{HL7}/{of}",
        "derivation": "constraint",
        "differential": {"element": list(elements)},
    } | more


def slicing(kind: str, path: str, rules: str = "open", **more: Any) -> dict[str, Any]:
    """A slicing with one discriminator."""
    return {"discriminator": [{"type": kind, "path": path}], "rules": rules} | more


def coded(code: str) -> dict[str, Any]:
    """A concept of one coding."""
    return {"coding": [{"system": CODES, "code": code}]}


def judged(
    resource: dict[str, Any], *definitions: dict[str, Any], rest: bool = True
) -> list[Finding]:
    """What the first of the definitions has against a resource, advice left out."""
    known = Definitions()
    for definition in definitions:
        known.add(definition)
    validator = Validator(known, rest_references=rest)
    assert validator.refused == {}
    asked = definitions[0]["url"]
    return [f for f in validator.validate(resource, [asked]) if f.severity != "information"]


def keys(findings: list[Finding]) -> list[tuple[str | None, str]]:
    """Key and place of each finding."""
    return [(finding.key, finding.expression) for finding in findings]
