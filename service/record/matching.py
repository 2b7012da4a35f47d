"""What conditional requests are about: from a query to a match, from a match to resources."""

from collections.abc import Sequence
from datetime import datetime
from urllib.parse import parse_qsl

from service.fhir.search.parameters import SearchParameters
from service.fhir.search.query import Search, SearchError, parse_search
from service.fhir.search.terms import Condition, Criterion, TokenValue
from service.record.changes import Match
from service.record.errors import Malformed
from service.store.contract import Reader


def match_of(
    parameters: SearchParameters, type_: str, query: str, *, now: datetime, base: str | None = None
) -> Match:
    """The match that a condition such as ``identifier=urn:s|1`` (If-None-Exist) asks for.

    ``query`` is percent-encoded; ``base`` is this service's own address. Raises Malformed for what
    cannot be read and for parameters that are not known: leaving them out would widen the match.
    """
    pairs = parse_qsl(query, keep_blank_values=True)
    try:
        search = parse_search(parameters, type_, pairs, now=now, base=base)
    except SearchError as error:
        raise Malformed.at("", str(error)) from None
    if search.unknown:
        raise Malformed.at("", f"{search.unknown[0][:40]} is no search parameter of {type_}.")
    if not search.criteria:
        raise Malformed.at("", "A condition needs at least one search parameter.")
    return _identifier(type_, search.criteria) or _by_search(type_, search)


def look_up(reader: Reader, matches: Sequence[Match]) -> dict[str, list[str]]:
    """Ids of the resources that meet each match, by ``Match.name``; two stand for any more.

    Identifiers are asked for together, one question for each type.
    """
    found: dict[str, list[str]] = {}
    for type_ in {match.type for match in matches}:
        named = {m.name: m.identity for m in matches if m.type == type_ and m.identity}
        holders = reader.holders(type_, set(named.values())) if named else {}
        found |= {name: holders.get(identity, [])[:2] for name, identity in named.items()}
    for match in matches:
        if match.name not in found:
            page = reader.search(match.type, match.criteria, count=2)
            found[match.name] = [version.id for version in page.versions]
    return found


def _identifier(type_: str, criteria: Sequence[Criterion]) -> Match | None:
    """The same match as a job would ask for by identifier, so that one waits for the other."""
    match criteria:
        case [
            Condition(
                "identifier", "token", (TokenValue(system=str(system), code=str(code)),), False
            )
        ]:
            return Match.identifier(type_, system, code)
    return None


def _by_search(type_: str, search: Search) -> Match:
    text = "&".join(sorted(f"{name}={value}" for name, value in search.understood))
    return Match(type_, text, tuple(search.criteria))
