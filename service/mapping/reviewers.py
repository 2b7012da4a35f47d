"""The clinician of a technique review, among the performers of its Observation."""

from service.fhir.json import JsonObject
from service.mapping.path import Step
from service.mapping.references import pointing

_CLINICIANS = ("Practitioner", "PractitionerRole")


def set_reviewer(observation: JsonObject, reviewer: JsonObject) -> None:
    """The first clinician among the performers; others stay where they are."""
    new: JsonObject = {} if "reference" in reviewer else {"type": "Practitioner"}
    named = {"reference": "reference", "identifier": "identifier", "name": "display"}
    new |= {element: reviewer[name] for name, element in named.items() if name in reviewer}
    old = _STEP.find(observation)
    _STEP.place(observation, pointing(old, new))


def reviewer_of(observation: JsonObject) -> JsonObject | None:
    """The document form of the first clinician, None where there is none."""
    performer: JsonObject = _STEP.find(observation) or {}
    found = {
        "reference": performer.get("reference"),
        "identifier": _whole(performer.get("identifier", {})),
        "name": performer.get("display"),
    }
    return {name: value for name, value in found.items() if value} or None


def _whole(identifier: JsonObject) -> JsonObject | None:
    """Ours names whose number it is; others may leave that out."""
    if not {"system", "value"} <= identifier.keys():
        return None
    return {"system": identifier["system"], "value": identifier["value"]}


def _is_clinician(performer: JsonObject) -> bool:
    kind = performer.get("type") or str(performer.get("reference", "")).partition("/")[0]
    return kind in _CLINICIANS


_STEP = Step("performer", repeats=True, matches=_is_clinician)
