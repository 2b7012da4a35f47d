"""A child's resources as they were known at one time."""

from collections.abc import Iterable, Sequence
from datetime import datetime

from service.fhir.json import JsonObject, read_back
from service.fhir.search.terms import Condition
from service.mapping.references import target_of
from service.record.view import View
from service.store.contract import Key, Version

Kept = tuple[Version, JsonObject]
"""A version, and the resource that it holds."""

_A_PAGE = 500


class Past:
    """The versions of a child's resources that were current at ``known_at``; ``patient`` is the
    child's ``Patient/id``."""

    def __init__(self, view: View, patient: str, known_at: datetime, now: datetime) -> None:
        self._view = view
        self.patient = patient
        self._known_at = known_at
        self._is_past = known_at < now
        self._others: dict[str, JsonObject | None] = {}

    def others(self, reference: str) -> JsonObject | None:
        """What is referred to, as it is."""
        if reference not in self._others:
            type_, _, id_ = reference.partition("/")
            found = self._view.current([(type_, id_)]).get((type_, id_))
            self._others[reference] = read_back(found.body) if found else None
        return self._others[reference]

    def about(self, type_: str, parameter: str, *further: Condition) -> list[Version]:
        """The child's resources of a type, in the order of their ids."""
        id_ = self.patient.partition("/")[2]
        condition = Condition.refers_to(parameter, "Patient", id_)
        found = self._view.search(type_, [condition, *further]).versions
        keys = {(version.type, version.id) for version in found}
        if self._is_past:
            keys |= self._gone_since(type_)
        return self.of(dict.fromkeys(sorted(keys)), found)

    def own(self, type_: str, element: str, *further: Condition) -> list[Kept]:
        """The same, read; without what was somebody else's at the time. ``element`` of the resource
        says whose it is, and a search parameter has the same name."""
        return self.owned(self.about(type_, element, *further), element)

    def owned(self, versions: Iterable[Version], element: str) -> list[Kept]:
        """Those of some versions that are the child's, read."""
        kept = [(one, read_back(one.body)) for one in versions]
        return [one for one in kept if target_of(one[1].get(element, {})) == self.patient]

    def of(self, keys: dict[Key, None], current: Sequence[Version] = ()) -> list[Version]:
        """Of each resource the version of that time; none where it was not there."""
        then = {
            (version.type, version.id): version
            for version in current
            if version.instant <= self._known_at
        }
        older = [key for key in keys if key not in then]
        for version in self._view.versions(older):
            if version.instant <= self._known_at:
                then[version.type, version.id] = version
        return [then[key] for key in keys if key in then and not then[key].deleted]

    def _gone_since(self, type_: str) -> set[Key]:
        """A search finds nothing that was deleted since."""
        keys: set[Key] = set()
        cursor = None
        while True:
            page = self._view.history(type_, since=self._known_at, count=_A_PAGE, cursor=cursor)
            keys |= {(version.type, version.id) for version in page.versions if version.deleted}
            if page.next is None:
                return keys
            cursor = page.next
