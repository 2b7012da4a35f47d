"""The search parameters of the types that the service keeps, and questions in them, for tests."""

from collections.abc import Iterable
from datetime import UTC, datetime
from functools import cache

from service.api.types import STORED
from service.fhir.json import JsonObject
from service.fhir.search.parameters import SearchParameters
from service.fhir.search.query import Search, Sets, parse_search
from service.fhir.search.terms import IndexRow

NOW = datetime(2031, 3, 10, 12, tzinfo=UTC)


@cache
def parameters() -> SearchParameters:
    return SearchParameters.of(STORED)


def found_by(resource: JsonObject) -> list[IndexRow]:
    """What the resource is found by."""
    return parameters().index(resource)


def parse(
    type_: str,
    pairs: Iterable[tuple[str, str]],
    *,
    base: str | None = None,
    sets: Sets | None = None,
) -> Search:
    return parse_search(parameters(), type_, pairs, now=NOW, base=base, sets=sets)
