"""Patches of resources: JSON Patch and FHIRPath Patch.

    patch = JsonPatch(value)                  # or FhirPathPatch(parameters, R4)
    changed = patch(resource)                 # a new resource; the old one stays as it is

Both are read once and say what is wrong with them as MalformedPatchError; what cannot be done with
a resource is an InapplicablePatchError, and then nothing was changed. Neither judges the result.
"""

from service.fhir.patch.errors import InapplicablePatchError, MalformedPatchError, PatchError
from service.fhir.patch.fhirpath_patch import FhirPathPatch
from service.fhir.patch.json_patch import JsonPatch

__all__ = [
    "FhirPathPatch",
    "InapplicablePatchError",
    "JsonPatch",
    "MalformedPatchError",
    "PatchError",
]
