"""Rules of Bundles that R4 bundle.html and references.html state in words.

Every resource has an identity (``fullUrl``) that agrees with its id, references between entries can
be followed, a document holds nothing that its Composition does not reach, and a page of search
results has each link once.
"""

from collections.abc import Iterator
from typing import Any

from service.fhir.json import JsonObject
from service.fhir.outcome import Severity, shown
from service.fhir.structure import is_resource_type
from service.fhir.validation.report import Report
from service.fhir.validation.scope import Address, Scope, is_absolute
from service.fhir.validation.search_results import search_faults

_WITHOUT_URLS = frozenset({"batch", "transaction", "batch-response", "transaction-response",
                           "history"})  # fmt: skip
_ONCE = frozenset({"self", "first", "previous", "prev", "next", "last"})


def bundle_faults(scope: Scope, report: Report) -> None:
    """Report what is wrong with a Bundle as a whole; other resources are left alone."""
    if scope.type != "Bundle":
        return
    _links(scope, report)
    for entry in scope.entries():
        if entry is not None:
            _identity(scope, entry, report)
            _references(scope, entry, report)
    if _kind(scope) == "document":
        _reached(scope, report)
    if _kind(scope) == "searchset":
        search_faults(scope, report)


def _links(scope: Scope, report: Report) -> None:
    seen: set[Any] = set()
    links = scope.resource.get("link")
    for index, link in enumerate(links if isinstance(links, list) else []):
        relation = link.get("relation") if isinstance(link, dict) else None
        if isinstance(relation, str) and relation in _ONCE:
            if relation in seen:
                text = f"found a second link {shown(relation)}"
                report.add("error", "value", f"{scope.path}.link[{index}]", text, "bundle-link")
            seen.add(relation)


def _identity(bundle: Scope, entry: Scope, report: Report) -> None:
    place = entry.path.removesuffix(".resource")
    url, identity = entry.full_url, entry.resource.get("id")
    if url is None:
        if _kind(bundle) not in _WITHOUT_URLS and not _is_outcome(entry):
            report.add("error", "required", place, "the entry has no fullUrl", "bundle-fullurl")
    elif not is_absolute(url):
        text = f"found {shown(url)}, expected an absolute URL"
        report.add("error", "value", f"{place}.fullUrl", text, "bundle-fullurl")
    elif not url.startswith("urn:"):
        _address(bundle, entry, url, identity, report)


def _address(bundle: Scope, entry: Scope, url: str, identity: Any, report: Report) -> None:
    """A RESTful fullUrl says the type and id of the resource."""
    place = entry.path.removesuffix(".resource")
    leading = _kind(bundle) == "message" and entry is bundle.entries()[0]
    severity: Severity = "error" if leading or _kind(bundle) == "document" else "warning"
    if not isinstance(identity, str):
        if _kind(bundle) == "document":
            text = f"found {shown(url)} for a resource without an id"
            report.add(severity, "value", place, text, "bundle-fullurl")
        return
    address = Address.of(url)
    told = address is not None and is_resource_type(address.type) and address.type != entry.type
    if told or not url.endswith(f"/{identity}"):
        text = f"found {shown(url)}, expected it to end in {entry.type}/{identity[:64]}"
        report.add("error" if told else severity, "value", place, text, "bundle-fullurl")


def _is_outcome(entry: Scope) -> bool:
    search = entry.entry.get("search") if entry.entry else None
    return isinstance(search, dict) and search.get("mode") == "outcome"


def _references(bundle: Scope, entry: Scope, report: Report) -> None:
    """References that mean another entry. The first of a document has to reach what it names."""
    leading = _kind(bundle) == "document" and entry is bundle.entries()[0]
    severity: Severity = "error" if leading else "warning"
    for path, text in _texts(entry.resource, entry.path):
        if text.startswith("#") or _kind(bundle) in _WITHOUT_URLS:
            continue
        found = entry.candidates(text)
        if len(found) > 1:
            said = f"{shown(text)} names {len(found)} entries, expected one version"
            report.add(severity, "value", path, said, "bundle-reference")
        elif not found:
            _lost(bundle, entry, path, text, severity, report)


def _lost(
    bundle: Scope, entry: Scope, path: str, text: str, severity: Severity, report: Report
) -> None:
    """Say why a reference that seems to mean an entry does not reach it."""
    address = Address.of(text)
    if address is None:
        return
    url = entry.absolute(text.partition("/_history/")[0])
    if url is not None and bundle.with_url(url):
        said = f"{shown(text)} names a version that is not in the Bundle"
        report.add(severity, "not-found", path, said, "bundle-reference")
        return
    named = bundle.with_url(f"urn:uuid:{address.id}")
    wrong = [other.type for other in named if other.type != address.type]
    if wrong:
        said = f"{shown(text)} names an entry that is a {wrong[0]}"
        report.add("error", "value", path, said, "bundle-reference")
    elif not address.base and (named or bundle.holds(address.type, address.id)):
        said = f"{shown(text)} cannot be followed to the entry it seems to mean"
        report.add(severity, "not-found", path, said, "bundle-reference")


def _kind(bundle: Scope) -> str:
    kind = bundle.resource.get("type")
    return kind if isinstance(kind, str) else ""


def _reached(bundle: Scope, report: Report) -> None:
    """Entries that the first one, a document's Composition, does not lead to, nor lead to it."""
    entries = [entry for entry in bundle.entries() if entry is not None]
    if not entries:
        return
    links: dict[Scope, set[Scope]] = {entry: set() for entry in entries}
    for entry in entries:
        for _, text in _texts(entry.resource, entry.path):
            for target in entry.candidates(text):
                links.setdefault(target, set()).add(entry)
                links[entry].add(target)
    met, waiting = {entries[0]}, [entries[0]]
    while waiting:
        for target in links[waiting.pop()] - met:
            met.add(target)
            waiting.append(target)
    for entry in entries:
        if entry not in met:
            place = entry.path.removesuffix(".resource")
            text = "no chain of references joins it to the first entry of the document"
            report.add("error", "informational", place, text, "bundle-reference")


def _texts(value: Any, path: str) -> Iterator[tuple[str, str]]:
    """The text of every Reference below a value, with the place of the Reference."""
    waiting: list[tuple[Any, str]] = [(value, path)]
    while waiting:
        part, place = waiting.pop()
        if isinstance(part, list):
            waiting.extend((inner, f"{place}[{n}]") for n, inner in enumerate(part))
        elif isinstance(part, dict):
            text = part.get("reference")
            if isinstance(text, str):
                yield place, text
            waiting.extend((inner, f"{place}.{name}") for name, inner in _inner(part))


def _inner(part: JsonObject) -> Iterator[tuple[str, Any]]:
    for name, inner in part.items():
        if isinstance(inner, dict | list):
            yield name, inner
