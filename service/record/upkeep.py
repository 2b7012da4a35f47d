"""Looking after a store: does everything in it agree, and are resources found by what they say?

Both ways through the store go portion by portion, with the work spread over all cores. Indexing
again touches only what is found by something else than it says, so that one that was cut off goes
on where it was, more or less; others may read and write meanwhile.
"""

from collections.abc import Callable, Iterator, Sequence
from contextlib import closing
from dataclasses import dataclass

from service.cores import spread
from service.fhir.json import JsonError, JsonObject, read
from service.record.bodies import instant_text
from service.record.drafts import Index
from service.store.contract import Entry, IndexLine, Reader, Store, Version
from service.store.index import line_set, pack

BuildIndex = Callable[[], Index]
"""Gives each process its extraction of index rows; a function of a module."""

_PORTION = 200

Held = tuple[int, Version, set[IndexLine]]
"""A resource's number in the store, its current version, and what it is found by."""


@dataclass(frozen=True, slots=True)
class Difference:
    """Something that does not agree. ``number`` is 0 where it is not about the index alone."""

    type: str
    id: str
    told: str
    number: int = 0
    version: int = 0
    missing: tuple[IndexLine, ...] = ()
    extra: tuple[IndexLine, ...] = ()

    def to_json(self) -> JsonObject:
        """``resource``, ``flaw``, and the index lines that are ``missing`` or ``extra``."""
        told: JsonObject = {"resource": f"{self.type}/{self.id}", "flaw": self.told}
        if self.missing:
            told["missing"] = self.missing
        if self.extra:
            told["extra"] = self.extra
        return told


INDEXED_BY = "search-parameters"
"""The fact about a store that tells the digest of the parameters which its index was made by."""

Looked = tuple[int, list[Difference]]
"""How many resources were looked at, and what does not agree."""


def verify(store: Store, build: BuildIndex, *, workers: int | None = None) -> Iterator[Looked]:
    """Looks at all that is current, as it was at one moment, and at what holds it together."""
    with store.read() as reader:
        yield from spread(_held(reader), _Looking(build), workers=workers)
        flaws = [Difference(*flaw.key, flaw.told) for flaw in reader.flaws()]
        yield 0, flaws


def reindex(
    store: Store, build: BuildIndex, digest: str, *, workers: int | None = None
) -> Iterator[Looked]:
    """Lets every resource be found by what it says; tells how many were looked at and changed.

    A resource that is written meanwhile is left alone: its writer indexed it. At the end the store
    remembers ``digest``, that of the parameters.
    """
    index = build()
    with closing(spread(_portions(store), _Looking(build), workers=workers)) as looked:
        for count, found in looked:
            of_index = [one for one in found if one.number]
            yield count, _mended(store, index, of_index) if of_index else []
    with store.begin() as work:
        work.keep_fact(INDEXED_BY, digest)


def settle_index(store: Store, digest: str) -> None:
    """A store that holds nothing yet remembers which parameters its index will be made by."""
    with store.read() as reader:
        settled = reader.fact(INDEXED_BY) == digest or reader.walk(0, 1)
    if settled:
        return
    with store.begin() as work:
        if not work.walk(0, 1):
            work.keep_fact(INDEXED_BY, digest)


def _held(reader: Reader) -> Iterator[list[Held]]:
    last = 0
    while versions := reader.walk(last, _PORTION):
        lines = reader.index_of([number for number, _ in versions])
        yield [(number, version, lines[number]) for number, version in versions]
        last = versions[-1][0]


def _portions(store: Store) -> Iterator[list[Held]]:
    """As ``_held``, each portion as it is when its turn comes."""
    last = 0
    while True:
        with store.read() as reader:
            versions = reader.walk(last, _PORTION)
            lines = reader.index_of([number for number, _ in versions])
        if not versions:
            return
        yield [(number, version, lines[number]) for number, version in versions]
        last = versions[-1][0]


@dataclass(frozen=True, slots=True)
class _Looking:
    """Builds, in each process, what looks at a portion."""

    build: BuildIndex

    def __call__(self) -> Callable[[Sequence[Held]], Looked]:
        index = self.build()

        def look(portion: Sequence[Held]) -> Looked:
            return len(portion), [one for held in portion for one in _differences(index, *held)]

        return look


def _differences(
    index: Index, number: int, version: Version, lines: set[IndexLine]
) -> Iterator[Difference]:
    wanted: set[IndexLine] = set()
    if not version.deleted:
        try:
            resource = read(version.body, max_bytes=len(version.body))
        except JsonError as error:
            yield Difference(version.type, version.id, f"its text cannot be read: {error.message}")
            return
        if not _is_of(resource, version):
            yield Difference(version.type, version.id, "its text is that of something else")
        wanted = line_set(index(resource))
    elif version.body:
        yield Difference(version.type, version.id, "it is deleted and has a text")
    if wanted != lines:
        told = "it is not found by what it says"
        missing, extra = (tuple(sorted(one, key=repr)) for one in (wanted - lines, lines - wanted))
        yield Difference(version.type, version.id, told, number, version.version, missing, extra)


def _is_of(resource: JsonObject, version: Version) -> bool:
    meta = resource.get("meta", {})
    said = resource.get("resourceType"), resource.get("id"), meta.get("versionId")
    return said == (version.type, version.id, str(version.version)) and (
        meta.get("lastUpdated") == instant_text(version.instant)
    )


def _mended(store: Store, index: Index, found: Sequence[Difference]) -> list[Difference]:
    with store.begin() as work:
        current = work.lock([(one.type, one.id) for one in found])
        entries = {}
        for one in found:
            version = current[one.type, one.id]
            if version.version == one.version:
                rows = [] if version.deleted else index(read(version.body))
                entries[one.number] = Entry(version, pack(rows))
        work.index_again(entries)
    return [one for one in found if one.number in entries]
