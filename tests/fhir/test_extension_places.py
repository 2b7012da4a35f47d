"""Where extensions may stand, and how they are known (R4 defining-extensions.html)."""

from typing import Any

import pytest
from profile_builder import HL7, element, keys, profile
from serious import serious

from service.fhir.definitions import Definitions
from service.fhir.outcome import Finding
from service.fhir.validation import Validator


def extension(*contexts: tuple[str, str], **more: Any) -> dict[str, Any]:
    rows = [{"type": kind, "expression": expression} for kind, expression in contexts]
    return profile(
        "mark", "Extension",
        element("Extension.url", fixedUri="https://example.org/ward/StructureDefinition/mark"),
        element("Extension.value[x]", min=1, type=[{"code": "boolean"}]),
        kind="complex-type", context=rows, **more,
    )  # fmt: skip


MARK = {"url": extension()["url"], "valueBoolean": True}


def found(resource: dict[str, Any], definition: dict[str, Any]) -> list[Finding]:
    known = Definitions()
    known.add(definition)
    return serious(Validator(known).validate(resource))


ON_PATIENT = {"resourceType": "Patient", "extension": [MARK]}
ON_NAME = {"resourceType": "Patient", "name": [{"text": "A", "extension": [MARK]}]}
ON_GIVEN = {
    "resourceType": "Patient",
    "name": [{"given": ["A"], "_given": [{"extension": [MARK]}]}],
}
ON_CONTACT = {
    "resourceType": "Patient",
    "contact": [{"name": {"text": "A"}, "extension": [MARK]}],
}
ON_NARRATIVE = {
    "resourceType": "Patient",
    "text": {"status": "generated", "extension": [MARK],
             "div": '<div xmlns="http://www.w3.org/1999/xhtml">x</div>'},
}  # fmt: skip
IN_ANOTHER = {
    "resourceType": "Patient",
    "extension": [
        {"url": f"{HL7}/patient-interpreterRequired", "valueBoolean": True,
         "_valueBoolean": {"extension": [MARK]}}
    ],
}  # fmt: skip


@pytest.mark.parametrize(
    ("context", "allowed", "refused"),
    [
        (("element", "Patient"), [ON_PATIENT], [ON_NAME, ON_CONTACT, ON_GIVEN]),
        (("element", "DomainResource"), [ON_PATIENT], [ON_NAME]),
        (("element", "Patient.name"), [ON_NAME], [ON_PATIENT, ON_CONTACT]),
        (("element", "HumanName"), [ON_NAME], [ON_PATIENT, ON_GIVEN]),
        (("element", "HumanName.given"), [ON_GIVEN], [ON_NAME]),
        (("element", "string"), [ON_GIVEN], [ON_NAME]),
        (("element", "BackboneElement"), [ON_CONTACT], [ON_NAME, ON_PATIENT]),
        (("element", "DomainResource.text"), [ON_NARRATIVE], [ON_PATIENT]),
        (("element", "Element"), [ON_PATIENT, ON_NAME, ON_GIVEN, ON_CONTACT, IN_ANOTHER], []),
        (("extension", f"{HL7}/patient-interpreterRequired"), [IN_ANOTHER], [ON_PATIENT]),
        (("fhirpath", "Patient.name.where(text = 'A')"), [ON_NAME], [ON_PATIENT, ON_GIVEN]),
    ],
)  # fmt: skip
def test_contexts(
    context: tuple[str, str], allowed: list[dict[str, Any]], refused: list[dict[str, Any]]
) -> None:
    definition = extension(context)
    for resource in allowed:
        assert found(resource, definition) == [], resource
    for resource in refused:
        (finding,) = found(resource, definition)
        assert finding.key == "extension-context"
        assert ".extension[0]" in finding.expression


def test_a_condition_on_the_place() -> None:
    definition = extension(("element", "Patient"), contextInvariant=["active = true"])
    assert found(ON_PATIENT | {"active": True}, definition) == []
    assert keys(found(ON_PATIENT, definition)) == [("extension-context", "Patient.extension[0]")]


def test_a_modifier_stands_among_the_modifiers() -> None:
    definition = extension(("element", "Patient"))
    definition["differential"]["element"].insert(0, element("Extension", isModifier=True))
    among = {"resourceType": "Patient", "modifierExtension": [MARK]}
    assert found(among, definition) == []
    assert keys(found(ON_PATIENT, definition)) == [("extension-modifier", "Patient.extension[0]")]
    assert keys(found(among, extension(("element", "Patient")))) == [
        ("extension-modifier", "Patient.modifierExtension[0]")
    ]


def test_extensions_of_the_core_are_known() -> None:
    """humanname-mothers-family belongs on a family name (its definition in R4)."""
    mothers = {"url": f"{HL7}/humanname-mothers-family", "valueString": "B"}
    right = {"resourceType": "Patient",
             "name": [{"family": "A", "_family": {"extension": [mothers]}}]}  # fmt: skip
    wrong = {"resourceType": "Patient", "name": [{"family": "A", "extension": [mothers]}]}
    validator = Validator(Definitions())
    assert serious(validator.validate(right)) == []
    assert keys(serious(validator.validate(wrong))) == [
        ("extension-context", "Patient.name[0].extension[0]")
    ]
    unknown = {"resourceType": "Patient", "extension": [
        {"url": f"{HL7}/nothing-like-it", "valueString": "x"}]}  # fmt: skip
    assert keys(serious(validator.validate(unknown))) == [
        ("unknown-extension", "Patient.extension[0]")
    ]
