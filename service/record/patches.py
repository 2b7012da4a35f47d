"""Patches as clients send them: read by their media type, alone or in the entry of a Bundle.

In a Bundle a JSON Patch comes as a Binary and a FHIRPath Patch as Parameters (R4 http.html#patch).
"""

import binascii
from base64 import b64decode
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Final

from service.fhir.json import JsonError, JsonObject, read
from service.fhir.outcome import json_finding
from service.fhir.patch import FhirPathPatch, JsonPatch, PatchError
from service.fhir.type_model import R4
from service.record.edits import located
from service.record.errors import Malformed

JSON_PATCH: Final = "application/json-patch+json"


Edit = Callable[[JsonObject], JsonObject]


@dataclass(frozen=True, slots=True)
class SentPatch:
    """The patch document as JSON: the operations of a JSON Patch, or Parameters."""

    document: Any
    is_json_patch: bool

    def edit(self, place: str = "") -> Edit:
        """What it does to a resource. ``place``: of it within what the client sent.

        Raises Malformed.
        """
        try:
            return (
                JsonPatch(self.document) if self.is_json_patch else FhirPathPatch(self.document, R4)
            )
        except PatchError as error:
            raise Malformed([located(error, place)]) from None


def patch_in(resource: JsonObject, place: str) -> SentPatch:
    """The patch that the resource of an entry carries. Raises Malformed."""
    kind = resource.get("resourceType")
    if kind == "Parameters":
        return SentPatch(resource, is_json_patch=False)
    if kind != "Binary" or resource.get("contentType") != JSON_PATCH:
        told = f"A patch is expected: Parameters, or a Binary of type {JSON_PATCH}."
        raise Malformed.at(place, told)
    try:
        document = read(b64decode(str(resource.get("data", "")), validate=True))
    except binascii.Error:
        raise Malformed.at(f"{place}.data", "base64 text is expected.") from None
    except JsonError as error:
        raise Malformed([json_finding(error)]) from None
    if not isinstance(document, list):
        raise Malformed.at(f"{place}.data", "A JSON Patch is a list of operations.")
    return SentPatch(document, is_json_patch=True)
