"""References followed within the record, each resource read once."""

import hashlib

from service.fhir.json import JsonObject, read
from service.record.changes import Actor
from service.record.errors import Gone, NotFound
from service.record.record import Record
from service.store.contract import Version


class Resolver:
    """Finds what ``Type/id`` refers to, as far as ``caller`` may see it."""

    def __init__(self, record: Record, caller: Actor) -> None:
        self._record = record
        self._caller = caller
        self._found: dict[str, tuple[Version, JsonObject] | None] = {}

    def __call__(self, reference: str) -> JsonObject | None:
        """The resource, or None."""
        found = self._find(reference)
        return found[1] if found else None

    def version(self, reference: str) -> int:
        """Number of the version that was found. Raises KeyError when there was none."""
        found = self._found[reference]
        if found is None:
            raise KeyError(reference)
        return found[0].version

    def keep(self, version: Version) -> JsonObject:
        """Take in a version that is at hand; gives its resource."""
        resource: JsonObject = read(version.body)
        self._found[f"{version.type}/{version.id}"] = (version, resource)
        return resource

    def tag(self) -> str:
        """Stands for everything that was found: another tag, other content."""
        found = sorted(
            f"{version.type}/{version.id}/{version.version}"
            for version, _ in filter(None, self._found.values())
        )
        return hashlib.sha256("\n".join(found).encode()).hexdigest()[:32]

    def _find(self, reference: str) -> tuple[Version, JsonObject] | None:
        if reference not in self._found:
            type_, _, id_ = reference.partition("/")
            try:
                self.keep(self._record.read(self._caller, type_, id_))
            except (NotFound, Gone):
                self._found[reference] = None
        return self._found[reference]
