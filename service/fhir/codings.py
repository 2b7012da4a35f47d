"""Codes inside concepts."""

from collections.abc import Iterable, Iterator
from typing import Any

from service.fhir.json import JsonObject


def codings(concepts: Iterable[JsonObject]) -> Iterator[tuple[Any, Any]]:
    """System and code of every coding of some CodeableConcepts, None for what one does not say."""
    for concept in concepts:
        for coding in concept.get("coding", []):
            yield coding.get("system"), coding.get("code")
