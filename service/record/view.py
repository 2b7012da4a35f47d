"""One consistent look at the record, as one caller may see it."""

from collections.abc import Callable, Collection, Iterable, Iterator, Sequence
from datetime import datetime

from service.fhir.search.terms import Criterion, SortKey
from service.fhir.spans import Span
from service.record.errors import NotFound
from service.store.contract import Key, Label, Page, Reader, Version

See = Callable[[Version], Version | None]
"""The version as the caller may see it, or ``None``."""

_AT_ONCE = 500
"""Versions that are read together to be counted."""


class View:
    """Answers several questions about one and the same state. Opened by ``Record.view``.

    Versions pass ``see`` before they leave. ``hides`` says whether it may hold any back: then
    totals are counted through it too, one version after the other, and else by the store.
    """

    def __init__(self, reader: Reader, see: See, *, hides: bool) -> None:
        self._reader = reader
        self._see = see
        self._hides = hides

    def current(self, keys: Collection[Key]) -> dict[Key, Version]:
        """Those of the resources that are there, by type and id."""
        found = self._reader.current(keys) if keys else {}
        seen = self._visible(version for version in found.values() if not version.deleted)
        return {(version.type, version.id): version for version in seen}

    def versions(self, keys: Collection[Key]) -> list[Version]:
        """Every version of these resources, deletions too, in the order of commits."""
        return list(self._visible(self._reader.versions(keys) if keys else ()))

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
        """How many resources meet every condition, of those that may be seen."""
        if not self._hides:
            return self._reader.total(type_, criteria)
        return _counted(lambda cursor: self.search(type_, criteria, count=_AT_ONCE, cursor=cursor))

    def history(
        self,
        type_: str | None = None,
        id_: str | None = None,
        *,
        since: datetime | None = None,
        at: Span | None = None,
        count: int,
        cursor: str | None = None,
    ) -> Page:
        """As ``Record.history``."""
        self._check_known(type_, id_)
        page = self._reader.history(type_, id_, since=since, at=at, count=count, cursor=cursor)
        return Page(tuple(self._visible(page.versions)), page.next)

    def history_total(
        self,
        type_: str | None = None,
        id_: str | None = None,
        *,
        since: datetime | None = None,
        at: Span | None = None,
    ) -> int:
        """How many versions such a history has, of those that may be seen."""
        self._check_known(type_, id_)
        if not self._hides:
            return self._reader.history_total(type_, id_, since=since, at=at)
        return _counted(
            lambda cursor: self.history(
                type_, id_, since=since, at=at, count=_AT_ONCE, cursor=cursor
            )
        )

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

    def _check_known(self, type_: str | None, id_: str | None) -> None:
        if type_ is not None and id_ is not None and not self._reader.current([(type_, id_)]):
            raise NotFound.at("", f"There is no {type_}/{id_}.")

    def _visible(self, versions: Iterable[Version]) -> Iterator[Version]:
        for version in versions:
            seen = self._see(version)
            if seen is not None:
                yield seen


def _counted(page_at: Callable[[str | None], Page]) -> int:
    found, cursor = 0, None
    while True:
        page = page_at(cursor)
        found, cursor = found + len(page.versions), page.next
        if cursor is None:
            return found
