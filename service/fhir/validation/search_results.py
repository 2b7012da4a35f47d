"""Rules of R4 bundle.html and search.html for a page of search results."""

from typing import Any

from service.fhir.outcome import shown
from service.fhir.structure import is_resource_type
from service.fhir.validation.report import Report
from service.fhir.validation.scope import Scope

_OUTCOME = "OperationOutcome"


def search_faults(bundle: Scope, report: Report) -> None:
    """Report entries that cannot be results: no id, or not what was searched for."""
    wanted = _searched(bundle)
    for entry in bundle.entries():
        if entry is not None:
            _entry(entry, wanted, report)


def _entry(entry: Scope, wanted: str | None, report: Report) -> None:
    search = entry.entry.get("search") if entry.entry else None
    mode = search.get("mode") if isinstance(search, dict) else None
    if entry.type != _OUTCOME and "id" not in entry.resource:
        report.add("error", "required", entry.path, "a search result has an id", "bundle-search")
    if mode == "outcome":
        expected: str | None = _OUTCOME
    else:
        expected = wanted if mode == "match" else None
    if expected is not None and entry.type != expected:
        text = f"found {shown(entry.type)}, expected {expected}"
        report.add("error", "value", entry.path, text, "bundle-search")
    elif mode == "match" and entry.type == _OUTCOME:
        text = f"found an {_OUTCOME} as a match"
        report.add("error", "value", entry.path, text, "bundle-search")


def _searched(bundle: Scope) -> str | None:
    """The type that the self link asks for, where it asks for one."""
    links: Any = bundle.resource.get("link")
    for link in links if isinstance(links, list) else []:
        if isinstance(link, dict) and link.get("relation") == "self":
            path = str(link.get("url", "")).partition("?")
            name = path[0].rpartition("/")[2]
            return name if path[1] and is_resource_type(name) else None
    return None
