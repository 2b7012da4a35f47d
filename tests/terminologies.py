"""Small definitions to ask about, and how R4 answers are read in tests."""

from typing import Any

from service.fhir.definitions import Definitions
from service.fhir.terminology import Coding, Terminology

HOME = "https://example.org/acw"
COLOUR = f"{HOME}/CodeSystem/colour"
COLOURS: dict[str, Any] = {
    "resourceType": "CodeSystem",
    "url": COLOUR,
    "version": "2.0.0",
    "name": "Colours",
    "status": "active",
    "content": "complete",
    "caseSensitive": False,
    "concept": [
        {
            "code": "red",
            "display": "Red",
            "definition": "The colour of a stop light.",
            "designation": [{"language": "de-CH", "value": "Rot"}],
            "property": [{"code": "wavelength", "valueInteger": 700}],
            "concept": [{"code": "pink", "display": "Pale red"}],
        },
        {"code": "blue", "display": "Blue"},
    ],
}


def terminology(*resources: dict[str, Any]) -> Terminology:
    """The colours, and what else is given."""
    definitions = Definitions()
    for resource in (COLOURS, *resources):
        definitions.add(resource)
    return Terminology.of(definitions)


def value_set(name: str, *parts: dict[str, Any], **more: Any) -> dict[str, Any]:
    return {
        "resourceType": "ValueSet",
        "url": f"{HOME}/ValueSet/{name}",
        "status": "active",
        "compose": {"include": list(parts)} | more,
    }


def coding(code: str, system: str = COLOUR, **more: Any) -> Coding:
    return Coding(system, code, **more)


def values(answer: dict[str, Any], name: str) -> list[Any]:
    """The values of the parameters of a name; for one made of parts, the values by part name."""
    return [_value(part) for part in answer.get("parameter", []) if part["name"] == name]


def value(answer: dict[str, Any], name: str) -> Any:
    """The value of a parameter that is there once; None if it is not there."""
    found = values(answer, name)
    assert len(found) <= 1
    return found[0] if found else None


def _value(part: dict[str, Any]) -> Any:
    if "part" in part:
        return {inner["name"]: _value(inner) for inner in part["part"]}
    (found,) = (part[key] for key in part if key.startswith("value"))
    return found
