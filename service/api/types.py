"""The types that are served at /fhir and what can be done with each."""

from collections.abc import Mapping
from dataclasses import replace

from service.api.adherence import ADHERENCE
from service.api.bulk_load import LOAD
from service.api.documents import DOCUMENT
from service.api.evaluating import EVALUATE
from service.api.everything import EVERYTHING
from service.api.goals import PROGRESS
from service.api.labels import META, META_ADD, META_DELETE
from service.api.lastn import LASTN
from service.api.review import REVIEW
from service.api.safety import ASSESS_SAFETY
from service.api.served import Operation, ServedType
from service.api.sheet import SHEET
from service.api.terminology import TERMINOLOGY
from service.api.validating import validate
from service.fhir.definitions import Definitions
from service.fhir.search.declarations import Parameter
from service.fhir.search.parameters import SearchParameters

_READING = frozenset({"read", "search-type"})
_HISTORY = frozenset({"vread", "history-instance", "history-type"})
_WRITING = frozenset({"create", "update", "patch", "delete"})

RECORDED = (
    "Binary",
    "CarePlan",
    "CareTeam",
    "Communication",
    "Condition",
    "Consent",
    "DetectedIssue",
    "Device",
    "DeviceRequest",
    "DocumentReference",
    "Encounter",
    "Flag",
    "Goal",
    "Group",
    "List",
    "MeasureReport",
    "Observation",
    "Organization",
    "Patient",
    "Practitioner",
    "PractitionerRole",
    "Questionnaire",
    "QuestionnaireResponse",
    "RelatedPerson",
    "ServiceRequest",
    "Subscription",
    "Task",
)
"""The record of a programme: written and read over HTTP.

A Subscription is kept and given back, and nothing else comes of it, whatever its status says:
nobody is told anything yet. The CapabilityStatement says so.
"""

APPENDED = ("AuditEvent", "Provenance")
"""Who did what: may be added to, never changed."""

SHIPPED = (
    "CodeSystem",
    "ConceptMap",
    "Measure",
    "OperationDefinition",
    "PlanDefinition",
    "SearchParameter",
    "StructureDefinition",
    "ValueSet",
)
"""Definitions that come with the software or that its operator adds: nobody writes them over HTTP.

What the service does follows from them, so that one that was merely stored would promise what
nobody keeps: a Measure says what is computed, a SearchParameter what is found.
"""

STORED = (*RECORDED, *APPENDED, *SHIPPED)

_VALIDATE = Operation(
    name="validate",
    definition="http://hl7.org/fhir/OperationDefinition/Resource-validate",
    handler=validate,
    on_type=("POST",),
    on_instance=("GET", "POST"),
)

_BUNDLE = ServedType(
    name="Bundle",
    interactions=frozenset(),
    operations={_VALIDATE.name: replace(_VALIDATE, on_instance=())},
    parameters={},
)
"""Never stored, so that there is none to be read or found."""


WHOLE = ServedType(
    name="",
    interactions=frozenset(
        {"batch", "capabilities", "history-system", "search-system", "transaction"}
    ),
    operations={LOAD.name: LOAD, META.name: META},
    parameters={},
)
"""The system as a whole."""


_OPERATIONS: Mapping[str, tuple[Operation, ...]] = {
    **TERMINOLOGY,
    "CarePlan": (ADHERENCE["CarePlan"], DOCUMENT, SHEET),
    "Goal": (PROGRESS,),
    "Group": (ADHERENCE["Group"],),
    "Measure": (EVALUATE,),
    "Observation": (LASTN,),
    "Patient": (ADHERENCE["Patient"], ASSESS_SAFETY, EVERYTHING, REVIEW),
}
"""Those of single types, beside what is served for all."""


def served_types(definitions: Definitions, parameters: SearchParameters) -> dict[str, ServedType]:
    """Every served type by name; its profiles are those among the definitions."""
    profiles = _profiles_by_type(definitions)
    stored = {
        name: _served(name, profiles.get(name, ()), parameters.of_type(name)) for name in STORED
    }
    return dict(sorted((stored | {_BUNDLE.name: _BUNDLE}).items()))


def _served(
    name: str, profiles: tuple[str, ...], parameters: Mapping[str, Parameter]
) -> ServedType:
    shipped = name in SHIPPED
    interactions = _interactions(name)
    operations = [META] if shipped else [META, _VALIDATE]
    if "update" in interactions:
        operations += [META_ADD, META_DELETE]
    operations += _OPERATIONS.get(name, ())
    return ServedType(
        name=name,
        interactions=interactions,
        operations={operation.name: operation for operation in operations},
        parameters=parameters,
        profiles=profiles,
        shipped=shipped,
    )


def _interactions(name: str) -> frozenset[str]:
    if name in SHIPPED:
        return _READING
    if name in APPENDED:
        return _READING | _HISTORY | {"create"}
    return _READING | _HISTORY | _WRITING


def _profiles_by_type(definitions: Definitions) -> Mapping[str, tuple[str, ...]]:
    found: dict[str, tuple[str, ...]] = {}
    for profile in definitions.of_type("StructureDefinition"):
        if profile.get("derivation") == "constraint":
            found[profile["type"]] = (*found.get(profile["type"], ()), profile["url"])
    return found
