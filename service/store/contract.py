"""What a store promises to the record. Engines keep it; nothing here knows an engine.

A store is opened for reading (one consistent view) or for one unit of work (all or nothing,
durable when it ends without an error). Both are synchronous, so that an asynchronous caller
spends one thread hop on the whole unit.

Errors: ``StoreBusyError`` when another writer held the store for longer than the engine waits;
``StoreAwayError`` when the store cannot be reached or takes nothing at present;
``StoreFormatError`` when a store was written by a newer version of this software; ``CursorError``
for a page that cannot be found; ``TooCostlyError`` for a search of too many parts.
"""

from collections.abc import Collection, Iterator, Mapping, Sequence
from contextlib import AbstractContextManager
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Protocol

from service.fhir.search.terms import Criterion, IndexRow, SortKey
from service.fhir.spans import Span

Key = tuple[str, str]
"""Resource type and id."""

Identity = tuple[str, str]
"""A business identifier: system (empty when it has none) and value."""


Label = tuple[str, str, str]
"""``_profile``, ``_security`` or ``_tag``; the system (empty for a profile); the code or URL."""


class StoreBusyError(Exception):
    """Another writer held the store for too long; nothing was written."""


class StoreAwayError(Exception):
    """The store cannot be reached, or can take nothing at present; later it may be there again.

    Says what kind of error an engine met, and nothing that is stored. ``settled``: whether it is
    certain that nothing was written; not so when a unit broke off as it was being committed.
    """

    def __init__(self, told: str, *, settled: bool = True) -> None:
        super().__init__(told)
        self.settled = settled


class StoreFormatError(Exception):
    """The store was made by another version of this software and cannot be opened."""


class CursorError(ValueError):
    """A cursor that this store did not give, or gave for another question."""


class TooCostlyError(ValueError):
    """A search with more conditions and values than ``MOST_PARTS``."""


MOST_PARTS = 200
"""Conditions and values in one search, together; engines limit how deep a question nests."""


@dataclass(frozen=True, slots=True)
class Version:
    """One version of one resource.

    ``version`` counts from 1. ``instant`` is aware, in UTC, to the millisecond. ``body`` is the
    JSON text to serve; a deleted resource has none.
    """

    type: str
    id: str
    version: int
    instant: datetime
    deleted: bool
    body: bytes


@dataclass(frozen=True, slots=True)
class PackedIndex:
    """Index rows made ready for storing by ``index.pack``, in a process that has no store."""

    data: bytes


@dataclass(frozen=True, slots=True)
class Entry:
    """A version to be stored, with the search index rows that it shall be found by."""

    version: Version
    index: Sequence[IndexRow] | PackedIndex = ()


IndexLine = tuple[Any, ...]
"""One line that a resource is found by: the index table, the parameter, the values."""


@dataclass(frozen=True, slots=True)
class Flaw:
    """Something in the store that contradicts something else; the key is empty where unknown."""

    key: Key
    told: str


@dataclass(frozen=True, slots=True)
class Page:
    """Some versions in order, and the cursor of the page after it (``None``: this is the last)."""

    versions: tuple[Version, ...]
    next: str | None


@dataclass(frozen=True, slots=True)
class Event:
    """One line of the outbox: a version that was committed. ``number`` grows with every commit."""

    number: int
    type: str
    id: str
    version: int


@dataclass(frozen=True, slots=True)
class Release:
    """Bytes that were released under a name, never to change again."""

    name: str
    made: datetime
    body: bytes


class Reader(Protocol):
    """A consistent view of the store."""

    def current(self, keys: Collection[Key]) -> dict[Key, Version]:
        """The current version of each resource that exists; a deleted one counts as existing."""

    def version(self, key: Key, version: int) -> Version | None:
        """One version of a resource."""

    def versions(self, keys: Collection[Key]) -> list[Version]:
        """Every version of these resources, in the order in which they were committed."""

    def history(
        self,
        type_: str | None,
        id_: str | None = None,
        *,
        since: datetime | None = None,
        at: Span | None = None,
        count: int,
        cursor: str | None = None,
    ) -> Page:
        """Versions, newest first: of a resource, a type, or all.

        ``since``: those committed then or later; ``at``: those that were current at some time
        within this span, deletions too.
        """

    def history_total(
        self,
        type_: str | None,
        id_: str | None = None,
        *,
        since: datetime | None = None,
        at: Span | None = None,
    ) -> int:
        """How many versions such a history has."""

    def search(
        self,
        type_: str,
        criteria: Sequence[Criterion] = (),
        *,
        sort: Sequence[SortKey] = (),
        count: int | None = None,
        cursor: str | None = None,
    ) -> Page:
        """Current, undeleted resources that meet every condition.

        Without ``sort`` in the order of first creation. Resources without a value for a sort key
        come last, whichever the direction. Paging goes by key: nothing that stays in place is
        skipped or repeated while others write. Without ``count``: all. Raises CursorError,
        TooCostlyError.
        """

    def total(self, type_: str, criteria: Sequence[Criterion] = ()) -> int:
        """How many resources meet every condition."""

    def holders(self, type_: str, identities: Collection[Identity]) -> dict[Identity, list[str]]:
        """Ids of the undeleted resources that carry each of these business identifiers."""

    def references(
        self, keys: Collection[Key], parameter: str, target_type: str | None = None
    ) -> dict[Key, list[Key]]:
        """What each of these resources refers to by a parameter, within this service, there or not.

        Resources that refer to nothing are left out.
        """

    def referrers(self, keys: Collection[Key], type_: str, parameter: str, count: int) -> list[Key]:
        """The undeleted resources of a type, at most ``count``, that refer to one of these."""

    def labels(self, type_: str | None) -> list[Label]:
        """The labels that current resources of a type, or of any, carry: each once, in order."""

    def events(self, after: int, count: int) -> list[Event]:
        """The outbox after an event number, oldest first."""

    def release(self, name: str) -> Release | None:
        """What was released under this name."""

    def fact(self, name: str) -> str | None:
        """What was noted under this name about the store itself."""

    def walk(self, after: int, count: int) -> list[tuple[int, Version]]:
        """Current versions, deletions too, after a number, by the store's own numbers (from 1)."""

    def index_of(self, numbers: Collection[int]) -> dict[int, set[IndexLine]]:
        """The lines that resources are found by, by the store's own numbers."""

    def flaws(self) -> Iterator[Flaw]:
        """What contradicts itself, whatever resources say: versions, pointers, outbox, index."""


class UnitOfWork(Reader, Protocol):
    """A view that may write. Its reads see its own writes."""

    def hold(self, names: Collection[str]) -> None:
        """Let no other unit hold any of these names until this one ends.

        Makes "look for it, then create it" safe: the name stands for what was looked for.
        """

    def lock(self, keys: Collection[Key]) -> dict[Key, Version]:
        """As ``current``, and nobody else can change these resources until this unit ends."""

    def write(self, entries: Sequence[Entry]) -> None:
        """Append versions, make the last of each resource the current one, fill the outbox.

        The version numbers must follow on from what is stored.
        """

    def index_again(self, entries: Mapping[int, Entry]) -> None:
        """Replace what these resources are found by; their versions stay as they are."""

    def keep_release(self, release: Release) -> Release:
        """Keep a release, or give back what was released under its name before."""

    def keep_fact(self, name: str, value: str) -> None:
        """Note something about the store itself, in place of what was noted before."""


class Store(Protocol):
    """Where versions are kept."""

    def read(self) -> AbstractContextManager[Reader]:
        """Open a consistent view."""

    def current(self, keys: Collection[Key]) -> dict[Key, Version]:
        """As ``Reader.current``: a question by itself, for less than a view around it costs."""

    async def current_soon(self, keys: Collection[Key]) -> dict[Key, Version]:
        """The same on an event loop, which goes on while a database over the network is asked."""

    def begin(self) -> AbstractContextManager[UnitOfWork]:
        """Open a unit of work: committed at its end, undone when an exception leaves it."""

    def close(self) -> None:
        """Let go of connections and files."""
