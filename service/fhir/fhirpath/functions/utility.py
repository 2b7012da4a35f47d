"""Utility functions (FHIRPath N1, section 5.9) and ``type()``.

``trace`` writes nowhere: what it would show is a patient's data. Its arguments are evaluated, so a
fault in them is still found.
"""

from collections.abc import Callable
from datetime import datetime

from service.fhir.fhirpath.errors import FhirPathError
from service.fhir.fhirpath.functions.filtering import select
from service.fhir.fhirpath.functions.registry import function
from service.fhir.fhirpath.items import Collection, Node, TypeInfo, system_type
from service.fhir.fhirpath.scope import Scope
from service.fhir.fhirpath.temporal import Temporal, from_datetime

_Body = Callable[[Collection, Scope], Collection]


@function("trace", 1, 2, lazy=True)
def _trace(
    items: Collection, scope: Scope, _: _Body, projection: _Body | None = None
) -> Collection:
    if projection is not None:
        select(items, scope, projection)
    return items


def _moment(scope: Scope) -> datetime:
    """The scope's one instant: N1 wants ``now()`` to be the same throughout an evaluation."""
    if scope.moment is None:
        if scope.services.now is None:
            raise FhirPathError("no clock was given for now(), today() and timeOfDay()")
        scope.moment = scope.services.now()
    return scope.moment


@function("now")
def _now(_: Collection, scope: Scope) -> Collection:
    return [from_datetime(_moment(scope))]


@function("today")
def _today(_: Collection, scope: Scope) -> Collection:
    return [Temporal("Date", from_datetime(_moment(scope)).parts[:3])]


@function("timeOfDay")
def _time_of_day(_: Collection, scope: Scope) -> Collection:
    return [Temporal("Time", from_datetime(_moment(scope)).parts[3:])]


@function("type")
def _type(items: Collection, _: Scope) -> Collection:
    return [
        TypeInfo("FHIR", item.type) if type(item) is Node else TypeInfo("System", system_type(item))
        for item in items
    ]
