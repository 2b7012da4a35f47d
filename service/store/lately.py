"""Versions that were read lately, out of memory where the store says that they are still current.

A version never changes; all that may happen to one that is kept is that it is no longer current. So
the store is asked every time which version is: a few bytes, where a body has thousands.
"""

from collections.abc import Awaitable, Collection, Iterable, Sequence
from typing import Any, Protocol

from service.store.contract import Key, Version
from service.store.lookup import ids_by_type
from service.store.rows import as_looked_up

_MOST_BYTES = 32 * 1024 * 1024

Rows = Iterable[Sequence[Any]]


class Asked(Protocol):
    """A store that is asked about resources of one type."""

    def numbers(self, type_: str, ids: Sequence[str]) -> Awaitable[Rows]:
        """Id and number of the current version of each."""

    def versions(self, type_: str, ids: Sequence[str]) -> Awaitable[Rows]:
        """Type, id, version, instant, deleted, body and number of the current version of each."""


class Lately:
    """Keeps what was read until there is too much of it; then the oldest goes first."""

    def __init__(self) -> None:
        self._kept: dict[Key, tuple[int, Version]] = {}
        self._bytes = 0

    async def current(self, keys: Collection[Key], store: Asked) -> dict[Key, Version]:
        """As ``Reader.current``."""
        found: dict[Key, Version] = {}
        for type_, ids in ids_by_type(keys).items():
            if known := [id_ for id_ in ids if (type_, id_) in self._kept]:
                for id_, number in await store.numbers(type_, known):
                    kept = self._kept.get((type_, id_))
                    if kept is not None and kept[0] == number:
                        found[type_, id_] = kept[1]
            if others := [id_ for id_ in ids if (type_, id_) not in found]:
                for *row, number in await store.versions(type_, others):
                    version = as_looked_up(row)
                    found[version.type, version.id] = version
                    self._keep(number, version)
        return found

    def _keep(self, number: int, version: Version) -> None:
        key = version.type, version.id
        self._bytes += len(version.body) - self._forget(key)
        self._kept[key] = number, version
        while self._bytes > _MOST_BYTES:
            self._bytes -= self._forget(next(iter(self._kept)))

    def _forget(self, key: Key) -> int:
        """How many bytes that freed."""
        _, version = self._kept.pop(key, (0, None))
        return len(version.body) if version else 0
