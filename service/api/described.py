"""What /openapi.json says of answers. The roads put theirs together themselves, so they tell."""

from typing import Any

from service.api.outcomes import FHIR_JSON

JSON = "application/json"
Responses = dict[int | str, dict[str, Any]]

REFUSALS: Responses = {
    "default": {
        "description": "An OperationOutcome with everything that is wrong, each at its place.",
        "content": {FHIR_JSON: {}},
    }
}
"""Of every road: whatever is refused is refused in this form."""


def answers(*media_types: str, status: int = 200) -> Responses:
    """For the ``responses`` of a road: the forms that it answers in."""
    return {status: {"content": {media_type: {} for media_type in media_types}}}
