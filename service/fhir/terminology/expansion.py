"""ValueSet/$expand: the members of a value set, in order (R4 valueset-operation-expand.html)."""

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime

from service.fhir.json import JsonObject
from service.fhir.terminology.concept import Concept
from service.fhir.terminology.errors import NotCheckedError
from service.fhir.terminology.systems import CodeSystems
from service.fhir.terminology.value_sets import Content

_KEPT = ("language", "url", "version", "name", "title", "experimental", "publisher", "copyright")


@dataclass(frozen=True, slots=True)
class Wanted:
    """Which part of an expansion: ``filter`` is words that must all be in a code or a name.

    ``offset`` and ``count`` are numbers of codes; without ``count`` all that follow.
    """

    filter: str | None = None
    offset: int = 0
    count: int | None = None
    designations: bool = False
    language: str | None = None


def expand(content: Content, wanted: Wanted, systems: CodeSystems, instant: datetime) -> JsonObject:
    """The ValueSet with its flat expansion; ``total`` counts what the filter lets through.

    Raises NotCheckedError for a value set with members that cannot be listed: a list that lacks
    some would read as if it had all.
    """
    if content.open is None:
        raise NotCheckedError(f"How {content.url} selects its codes is not known here.")
    if content.open:
        told = f"{content.url} takes codes of {', '.join(sorted(content.open))}, which are"
        raise NotCheckedError(f"{told} not held here: it cannot be listed.")
    members = [
        (system, concept)
        for (system, _), concept in content.members.items()
        if _passes(concept, wanted.filter)
    ]
    end = None if wanted.count is None else wanted.offset + wanted.count
    page = members[wanted.offset : end]
    expansion: JsonObject = {
        "timestamp": instant.isoformat(timespec="seconds"),
        "total": len(members),
        "offset": wanted.offset,
        "parameter": [*_parameters(content, wanted, systems)],
        "contains": [_row(system, concept, wanted) for system, concept in page],
    }
    return _head(content) | {
        "expansion": {name: value for name, value in expansion.items() if value != []}
    }


def _head(content: Content) -> JsonObject:
    resource = content.resource or {"url": content.url}
    return {
        "resourceType": "ValueSet",
        **{name: resource[name] for name in _KEPT if name in resource},
        "status": resource.get("status", "unknown"),
    }


def _passes(concept: Concept, words: str | None) -> bool:
    if words is None:
        return True
    text = " ".join([concept.code, *concept.names()]).casefold()
    return all(word in text for word in words.casefold().split())


def _parameters(content: Content, wanted: Wanted, systems: CodeSystems) -> Iterator[JsonObject]:
    """What shaped the list: the parameters of the request, and the versions of the systems."""
    asked = {
        "filter": ("valueString", wanted.filter),
        "offset": ("valueInteger", wanted.offset or None),
        "count": ("valueInteger", wanted.count),
        "includeDesignations": ("valueBoolean", wanted.designations or None),
        "displayLanguage": ("valueCode", wanted.language),
    }
    for name, (kind, value) in asked.items():
        if value is not None:
            yield {"name": name, kind: value}
    for url in sorted(system for system in content.systems if system):
        listed = systems.listed(url)
        if listed is not None and listed.version is not None:
            yield {"name": "version", "valueUri": f"{url}|{listed.version}"}


def _row(system: str | None, concept: Concept, wanted: Wanted) -> JsonObject:
    row = {
        "system": system,
        "code": concept.code,
        "display": concept.shown(wanted.language),
        "designation": list(concept.designations) if wanted.designations else None,
    }
    return {name: value for name, value in row.items() if value}
