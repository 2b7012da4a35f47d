"""GET /fhir/metadata: a CapabilityStatement made from the table that routes requests."""

from collections.abc import Iterable, Mapping
from datetime import datetime
from typing import Final

from starlette.requests import Request
from starlette.responses import Response

from service.api.headers import check_accept
from service.api.outcomes import FHIR_JSON, refusal
from service.api.queries import only, pairs_of
from service.api.served import ServedType, base_of
from service.api.services import services_of
from service.api.terminology_capability import terminology_statement
from service.api.writing import PATCH_TYPES
from service.fhir.json import JsonObject, write
from service.fhir.outcome import shown

VERSION: Final = "0.1.0"

_DOCUMENTATION = (
    "There is no authorisation yet: whoever reaches this service may read and write. Nobody "
    "watches what families log. A body is refused unless it meets R4 and the profiles that its "
    "content calls for. If-Match is honoured on every write and asked for on none. Results are "
    "shaped by _count, _sort (in a search of one type), _total, _summary and _elements; an unknown "
    "parameter is left out with a warning, or refused under Prefer: handling=strict. Included "
    "resources are bounded in number and distance, and an answer says when that cut it short. "
    "Totals count what meets the criteria. Dates without an offset are read in UTC. "
    "Of terminology it knows its own definitions, the code systems that HL7 publishes with R4 "
    "(codes only) and UCUM; a code that it cannot judge is answered 422 as not checked. "
    "Patches are JSON Patch and FHIRPath Patch; a condition that several meet is refused. "
    "$meta-add and $meta-delete make a version, like any change. "
    "A Binary is read and written as its content, unless FHIR JSON is named. "
    "A Subscription is kept and given back, and nothing is ever sent because of it."
)


class Capability:
    """Answers metadata. ``since`` is when this process began to serve what it says."""

    def __init__(self, types: Mapping[str, ServedType], whole: ServedType, since: datetime) -> None:
        self._whole = whole
        self._resources = [_resource(served, types) for served in types.values()]
        self._since = since

    async def answer(self, request: Request) -> Response:
        """The statement, or that of terminology (R4 http.html#capabilities, ``mode``).

        Raises 400 for another mode than R4 names.
        """
        check_accept(request)
        mode = only(pairs_of(request), "mode") or "full"
        services = services_of(request)
        base = base_of(request, services)
        if mode == "terminology":
            return _answer(terminology_statement(services.terminology, base, self._since))
        if mode not in ("full", "normative"):
            told = f"{shown(mode)} is no mode: full, normative or terminology is expected."
            raise refusal(400, told, expression="http.mode")
        return _answer(self.statement(base))

    def statement(self, base: str) -> JsonObject:
        """The CapabilityStatement of the service at ``base``."""
        return {
            "resourceType": "CapabilityStatement",
            "status": "active",
            "date": self._since.isoformat(timespec="seconds"),
            "kind": "instance",
            "software": {"name": "Home airway-clearance programme record", "version": VERSION},
            "implementation": {
                "description": "Home airway-clearance programmes of children, and what was logged",
                "url": base,
            },
            "fhirVersion": "4.0.1",
            "format": ["application/fhir+json", "json"],
            "patchFormat": list(PATCH_TYPES),
            "rest": [
                {
                    "mode": "server",
                    "documentation": _DOCUMENTATION,
                    "resource": self._resources,
                    "interaction": [
                        {"code": code}
                        for code in sorted(self._whole.interactions - {"capabilities"})
                    ],
                    "operation": list(_operations(self._whole)),
                    "compartment": ["http://hl7.org/fhir/CompartmentDefinition/patient"],
                }
            ],
        }


def _answer(statement: JsonObject) -> Response:
    return Response(write(statement), media_type=FHIR_JSON)


def _resource(served: ServedType, types: Mapping[str, ServedType]) -> JsonObject:
    told: JsonObject = {"type": served.name}
    if served.profiles:
        told["supportedProfile"] = list(served.profiles)
    if served.interactions:
        told |= _interactions(served) | _includes(served, types)
    if served.operations:
        told["operation"] = list(_operations(served))
    return told


def _interactions(served: ServedType) -> JsonObject:
    writable = "update" in served.interactions
    return {
        "interaction": [{"code": code} for code in sorted(served.interactions)],
        "versioning": "versioned" if "vread" in served.interactions else "no-version",
        "readHistory": "vread" in served.interactions,
        "updateCreate": writable,
        "conditionalRead": "full-support" if "read" in served.interactions else "not-supported",
        "conditionalCreate": "create" in served.interactions,
        "conditionalUpdate": writable,
        "conditionalDelete": "single" if "delete" in served.interactions else "not-supported",
        "searchParam": [
            {"name": one.name}
            | ({"definition": one.url} if one.url else {})
            | {"type": one.declared}
            for one in served.parameters.values()
        ],
    }


def _includes(served: ServedType, types: Mapping[str, ServedType]) -> JsonObject:
    """What may come along, each way; nothing is said where there is nothing."""
    own = [f"{served.name}:{name}" for name in _references(served)]
    others = [
        f"{other.name}:{name}"
        for other in types.values()
        for name, targets in _references(other).items()
        if served.name in targets or not targets
    ]
    told: JsonObject = {"searchInclude": [f"{served.name}:*", *own]} if own else {}
    return told | ({"searchRevInclude": others} if others else {})


def _references(served: ServedType) -> dict[str, tuple[str, ...]]:
    """The reference parameters of a type, and the types that each may lead to (none: any)."""
    known = served.parameters.values()
    return {one.name: one.targets for one in known if one.type == "reference"}


def _operations(served: ServedType) -> Iterable[JsonObject]:
    for operation in served.operations.values():
        yield {"name": operation.name, "definition": operation.definition}
