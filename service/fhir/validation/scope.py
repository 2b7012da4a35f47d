"""Which resource an element stands in, what that resource is inside of, and what references reach.

Rules of R4 references.html and bundle.html: ``#id`` means a resource contained in the same root;
inside a Bundle a reference is looked up among the entries by their ``fullUrl``, a relative one only
through an entry whose own ``fullUrl`` is a RESTful address.
"""

import re
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any

from service.fhir.json import JsonObject

_RESTFUL = re.compile(r"(?P<base>.*/)?(?P<type>[A-Z][A-Za-z]+)/(?P<id>[A-Za-z0-9.-]{1,64})"
                      r"(?:/_history/(?P<version>[A-Za-z0-9.-]{1,64}))?")  # fmt: skip
_ABSOLUTE = re.compile(r"[A-Za-z][A-Za-z0-9+.-]*:", re.ASCII)


@dataclass(frozen=True, slots=True)
class Address:
    """A RESTful reference taken apart; ``base`` is empty for a relative one."""

    base: str
    type: str
    id: str
    version: str | None

    @classmethod
    def of(cls, reference: str) -> "Address | None":
        """The parts of ``[base/]Type/id[/_history/version]``; None for any other reference."""
        match = _RESTFUL.fullmatch(reference.partition("#")[0])
        return (
            cls(match["base"] or "", match["type"], match["id"], match["version"])
            if match
            else None
        )


def is_absolute(reference: str) -> bool:
    """Whether a reference or URL begins with a scheme."""
    return _ABSOLUTE.match(reference) is not None


@dataclass(slots=True, eq=False)
class Scope:
    """One resource of the document: where it stands, and the scope around it."""

    resource: JsonObject
    path: str
    parent: "Scope | None" = None
    contained: bool = False
    entry: JsonObject | None = None
    _entries: "list[Scope | None] | None" = field(default=None, repr=False)
    _by_url: "dict[str, list[Scope]] | None" = field(default=None, repr=False)
    _contained: "dict[str, Scope] | None" = field(default=None, repr=False)
    _by_object: "dict[int, Scope] | None" = field(default=None, repr=False)
    _identities: "set[tuple[str, str]] | None" = field(default=None, repr=False)

    @property
    def type(self) -> str:
        """The resource's type, empty where it has none."""
        kind = self.resource.get("resourceType")
        return kind if isinstance(kind, str) else ""

    @property
    def root(self) -> "Scope":
        """What FHIRPath calls %rootResource: the container of a contained resource, else itself."""
        return self.parent.root if self.contained and self.parent is not None else self

    @property
    def bundle(self) -> "Scope | None":
        """The scope of the Bundle that the root is an entry of."""
        root = self.root
        return root.parent if root.entry is not None else None

    @property
    def full_url(self) -> str | None:
        """The fullUrl of the entry that holds the root."""
        entry = self.root.entry
        url = entry.get("fullUrl") if entry is not None else None
        return url if isinstance(url, str) else None

    def entries(self) -> "list[Scope | None]":
        """A scope for the resource of each entry of a Bundle; None where there is none."""
        if self._entries is None:
            self._entries = [
                Scope(entry["resource"], f"{self.path}.entry[{index}].resource", self, entry=entry)
                if isinstance(entry, dict) and isinstance(entry.get("resource"), dict)
                else None
                for index, entry in enumerate(_listed(self.resource.get("entry")))
            ]
        return self._entries

    def entry_of(self, resource: JsonObject) -> "Scope | None":
        """The scope of the entry that holds this very resource."""
        if self._by_object is None:
            self._by_object = {id(s.resource): s for s in self.entries() if s is not None}
        return self._by_object.get(id(resource))

    def holds(self, kind: str, identity: str) -> bool:
        """Whether an entry of the Bundle is of a type and has an id."""
        if self._identities is None:
            self._identities = {
                (s.type, s.resource["id"])
                for s in self.entries()
                if s is not None and isinstance(s.resource.get("id"), str)
            }
        return (kind, identity) in self._identities

    def contained_scopes(self) -> "Iterator[Scope]":
        """A scope for each contained resource."""
        for index, inner in enumerate(_listed(self.resource.get("contained"))):
            if isinstance(inner, dict):
                yield Scope(inner, f"{self.path}.contained[{index}]", self, contained=True)

    def contained_ids(self) -> "dict[str, Scope]":
        """The contained resources by id."""
        if self._contained is None:
            self._contained = {}
            for scope in self.contained_scopes():
                if isinstance(scope.resource.get("id"), str):
                    self._contained.setdefault(scope.resource["id"], scope)
        return self._contained

    def with_url(self, url: str) -> "list[Scope]":
        """The entries of a Bundle that a fullUrl names."""
        if self._by_url is None:
            self._by_url = {}
            for scope in self.entries():
                full = scope.entry.get("fullUrl") if scope and scope.entry else None
                if scope is not None and isinstance(full, str):
                    self._by_url.setdefault(full, []).append(scope)
        return self._by_url.get(url, [])

    def resolve(self, reference: Any) -> "Scope | None":
        """What a reference in this resource points to, if that is in the document."""
        if not isinstance(reference, str) or not reference:
            return None
        if reference.startswith("#"):
            return self._internal(reference[1:])
        found = self.candidates(reference)
        return found[0] if found else None

    def _internal(self, identity: str) -> "Scope | None":
        root = self.root
        if not identity:
            return root
        return root.contained_ids().get(identity)

    def candidates(self, reference: str) -> "list[Scope]":
        """The entries of the Bundle that the reference names, several if versions are there."""
        bundle = self.bundle
        if bundle is None:
            return []
        bare, _, version = reference.partition("/_history/")
        url = self.absolute(bare)
        if url is None:
            return []
        found = bundle.with_url(url)
        if not found and bundle.bundle is not None:
            return bundle.candidates(reference)
        if version:
            return [s for s in found if _version(s.resource) == version]
        return found

    def absolute(self, reference: str) -> str | None:
        """The reference as an absolute one, None where its base is not known."""
        if is_absolute(reference):
            return reference
        own = Address.of(self.full_url or "")
        return own.base + reference if own is not None and own.base else None


def _version(resource: JsonObject) -> Any:
    meta = resource.get("meta")
    return meta.get("versionId") if isinstance(meta, dict) else None


def _listed(value: Any) -> list[Any]:
    return value if isinstance(value, list) else []
