"""The safety screen: which response of a child it is, and what it says.

A plan refers to it by ``supportingInfo``, where others may put what they like. What may not be used
or cannot be read never makes a plan unreadable: it stays a bare reference.
"""

from service.fhir.json import JsonObject
from service.mapping.canonical import BASE
from service.mapping.converters import Context
from service.mapping.documents import built
from service.mapping.errors import UnmappableError
from service.mapping.interpretable import why_not_interpretable
from service.mapping.parties import read_party
from service.mapping.references import Resolve, target_of
from service.mapping.tables import tables
from service.programme.plan import Screen

_FORM = f"{BASE}/Questionnaire/airway-safety-screen"
_ANSWERED = frozenset({"completed", "amended"})


def is_screen(response: JsonObject) -> bool:
    """Whether a QuestionnaireResponse answers our safety screen, in any version."""
    return str(response.get("questionnaire", "")).partition("|")[0] == _FORM


def answers_of(response: JsonObject) -> Screen | None:
    """Date and answers of a response; None for another form, and for what may not be used."""
    is_answered = response.get("status") in _ANSWERED
    if not is_screen(response) or not is_answered or why_not_interpretable(response):
        return None
    try:
        return built(Screen, tables()["screen"].read(response, Context()))
    except UnmappableError:
        return None


def screen_entry(plan: JsonObject, resolve: Resolve) -> JsonObject | None:
    """The reference of a plan to its safety screen.

    One that leads nowhere may be to a screen; one that leads to another form is somebody else's.
    """
    unknown: JsonObject | None = None
    for entry in plan.get("supportingInfo", []):
        target = target_of(entry)
        if not target.startswith("QuestionnaireResponse/"):
            continue
        response = resolve(target)
        if response is not None and is_screen(response):
            return dict(entry)
        unknown = entry if response is None and unknown is None else unknown
    return unknown


def read_screen(entry: JsonObject | None, resolve: Resolve) -> JsonObject | None:
    """The document form of what a plan's ``entry`` refers to."""
    if entry is None:
        return None
    target = target_of(entry)
    response = resolve(target)
    if response is None or answers_of(response) is None:
        return {"reference": target}
    try:
        return read_party("screen", entry, resolve, "CarePlan.supportingInfo")
    except UnmappableError:
        return {"reference": target}
