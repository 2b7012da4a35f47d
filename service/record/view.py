"""One consistent look at the record, as one caller may see it."""

from collections.abc import Callable, Collection, Iterable, Iterator, Sequence

from service.fhir.search.terms import Criterion, SortKey
from service.store.contract import Key, Label, Page, Reader, Version

See = Callable[[Version], Version | None]
"""The version as the caller may see it, or ``None``."""


class View:
    """Answers several questions about one and the same state. Opened by ``Record.view``.

    Versions pass ``see`` before they leave. Totals count what meets the criteria, also what this
    caller may not see.
    """

    def __init__(self, reader: Reader, see: See) -> None:
        self._reader = reader
        self._see = see

    def current(self, keys: Collection[Key]) -> dict[Key, Version]:
        """Those of the resources that are there, by type and id."""
        found = self._reader.current(keys) if keys else {}
        seen = self._visible(version for version in found.values() if not version.deleted)
        return {(version.type, version.id): version for version in seen}

    def search(
        self,
        type_: str,
        criteria: Sequence[Criterion] = (),
        *,
        sort: Sequence[SortKey] = (),
        count: int | None = None,
        cursor: str | None = None,
    ) -> Page:
        """As ``Record.search``."""
        page = self._reader.search(type_, criteria, sort=sort, count=count, cursor=cursor)
        return Page(tuple(self._visible(page.versions)), page.next)

    def total(self, type_: str, criteria: Sequence[Criterion] = ()) -> int:
        """As ``Record.total``."""
        return self._reader.total(type_, criteria)

    def references(
        self, keys: Collection[Key], parameter: str, target_type: str | None = None
    ) -> dict[Key, list[Key]]:
        """What these resources of one type refer to by a parameter, whether it is there or not."""
        return self._reader.references(keys, parameter, target_type) if keys else {}

    def referrers(self, keys: Collection[Key], type_: str, parameter: str, count: int) -> list[Key]:
        """At most ``count`` resources of a type that refer to one of these by a parameter."""
        return self._reader.referrers(keys, type_, parameter, count) if keys else []

    def labels(self, type_: str | None) -> list[Label]:
        """Labels in use on resources of a type or of any, also of those not to be seen."""
        return self._reader.labels(type_)

    def _visible(self, versions: Iterable[Version]) -> Iterator[Version]:
        for version in versions:
            seen = self._see(version)
            if seen is not None:
                yield seen
