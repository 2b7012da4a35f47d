"""What an operation is asked, out of a Parameters resource."""

from collections.abc import Collection
from typing import Any

from service.api.bodies import object_in, sent_in
from service.api.outcomes import RestError, refusal
from service.api.served import Call
from service.fhir.json import JsonObject
from service.fhir.outcome import has_errors, shown

_TEXTS = (
    "valueString",
    "valueCode",
    "valueUri",
    "valueCanonical",
    "valueDate",
    "valueDateTime",
    "valueInstant",
)


class Parameters:
    """The parts of a Parameters resource by name. Raises 400 for one that is not well formed."""

    def __init__(self, resource: JsonObject) -> None:
        parts = resource.get("parameter", [])
        if resource.get("resourceType") != "Parameters" or not isinstance(parts, list):
            raise refusal(400, "A Parameters resource is expected.", code="structure")
        self._parts: dict[str, JsonObject] = {}
        for number, part in enumerate(parts):
            name = part.get("name") if isinstance(part, dict) else None
            place = f"Parameters.parameter[{number}]"
            if not isinstance(name, str):
                raise refusal(400, "A name is expected.", code="required", expression=place)
            if name in self._parts:
                raise refusal(400, "This parameter is given once.", expression=place)
            self._parts[name] = part

    @property
    def names(self) -> Collection[str]:
        """What the parts are called, in order."""
        return self._parts.keys()

    def text(self, name: str) -> str | None:
        """The value of a parameter of a text-like type."""
        part = self._parts.get(name, {})
        values: list[Any] = [part[kind] for kind in _TEXTS if kind in part]
        if part and (len(values) != 1 or not isinstance(values[0], str)):
            raise refusal(400, f"Parameter {name} needs one text value.", code="value")
        return values[0] if values else None

    def place(self, name: str) -> str:
        """Where the resource of a parameter stands, as a FHIRPath without the type."""
        number = list(self._parts).index(name) if name in self._parts else 0
        return f"parameter[{number}].resource"

    def resource(self, name: str) -> JsonObject | None:
        """The resource that a parameter holds."""
        resource = self._parts.get(name, {}).get("resource")
        if resource is not None and not isinstance(resource, dict):
            raise refusal(400, f"Parameter {name} needs a resource.", code="value")
        return resource


def parts_in(call: Call, body: bytes) -> list[JsonObject]:
    """The parts of the Parameters in a body, in their order. Raises 400 unless they are valid."""
    resource = object_in(body, call.services.settings.max_body_bytes)
    kind = resource.get("resourceType")
    if kind != "Parameters":
        told = f"Found {shown(kind)}, expected Parameters."
        raise refusal(400, told, code="structure", expression="resourceType")
    findings = call.services.validator.validate(resource)
    if has_errors(findings):
        raise RestError(400, sent_in(call.request, body).located(findings))
    parts: list[JsonObject] = resource.get("parameter", [])
    return parts
