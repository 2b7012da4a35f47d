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
        if not self._is_past and all(version.instant <= self._known_at for version in found):
            return sorted(found, key=_by_id)
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
        then = self._known(current)
        if not self._is_past:
            then |= self._known(
                self._view.current([key for key in keys if key not in then]).values()
            )
        then |= self._known(self._view.versions([key for key in keys if key not in then]))
        return [then[key] for key in keys if key in then and not then[key].deleted]

    def _known(self, versions: Iterable[Version]) -> dict[Key, Version]:
        """The last of each resource's that was known; they come in order."""
        return {
            (version.type, version.id): version
            for version in versions
            if version.instant <= self._known_at
        }

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


def _by_id(version: Version) -> str:
    return version.id
