"""The record: one way in, one way out.

Whatever is stored goes through ``write`` (or ``write_each``): checked, compared with the version
that the writer saw, numbered, indexed, with one Provenance and its outbox lines, in one
transaction. Whatever leaves went through ``see``.

References are kept as they are: R4 leaves it open whether a server demands that their targets
exist, and a hospital's resources arrive in any order. Only a transaction resolves them.
"""

from collections.abc import Callable, Collection, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import replace
from datetime import datetime
from functools import partial
from uuid import uuid4

import structlog

from service.fhir.outcome import Finding
from service.fhir.search.parameters import SearchParameters
from service.fhir.search.terms import Criterion, SortKey
from service.fhir.spans import Span
from service.record.changes import Actor, Change, Done, Match, Premise, Written
from service.record.drafts import Draft, Drafting, Validates
from service.record.errors import Away, Busy, Gone, Invalid, Malformed, NotFound, RecordError
from service.record.following import Follower
from service.record.keeping import Keeping
from service.record.matching import look_up, match_of
from service.record.prepared import Prepared
from service.record.unit import Unit
from service.record.upkeep import INDEXED_BY
from service.record.view import View
from service.store.contract import (
    MOST_PARTS,
    CursorError,
    Event,
    Key,
    Page,
    Reader,
    Release,
    Store,
    StoreAwayError,
    StoreBusyError,
    TooCostlyError,
    UnitOfWork,
    Version,
)

log = structlog.get_logger("airway.record")


def random_id() -> str:
    """An id that nobody used."""
    return str(uuid4())


class Record:
    """The record over one store. Safe to share between threads."""

    def __init__(
        self,
        store: Store,
        validator: Validates,
        clock: Callable[[], datetime],
        parameters: SearchParameters,
        *,
        new_id: Callable[[], str] = random_id,
        follower: Follower | None = None,
    ) -> None:
        self._store = store
        self._follower = follower
        self._drafting = Drafting(validator, parameters.index)
        self._clock = clock
        self.parameters = parameters
        self.new_id = new_id

    # -- in -------------------------------------------------------------------------------------

    def write(
        self,
        changes: Sequence[Change],
        by: Actor,
        reason: str | None = None,
        *,
        premises: Sequence[Premise] = (),
        before_commit: Callable[[Reader, Sequence[Written]], None] | None = None,
    ) -> list[Written]:
        """All the changes or none, in this order; the answers in the same order.

        ``premises`` are look-ups that must still be true; ``before_commit`` sees the store as it
        would be and what the changes led to, and undoes everything by raising.

        Raises Invalid (every finding of every change), Malformed (two changes of one resource),
        Conflict, NotFound (patching what never was), Gone (patching what was deleted),
        Busy.
        """
        drafts = self._drafts(_with_places(changes))
        with self._begin() as work:
            unit = self._unit(work)
            unit.open(drafts, premises)
            written = [unit.apply(draft) for draft in drafts]
            _check_overlap(drafts, written)
            unit.finish(by, reason)
            self._follow(work, unit.written)
            if before_commit is not None:
                before_commit(work, written)
        return written

    def write_each(
        self, changes: Sequence[Change], by: Actor, reason: str | None = None
    ) -> list[Written | RecordError]:
        """Every change that can be written, in one transaction; for the others, why not.

        Changes are taken in order, and a later one may build on an earlier one. When this returns
        without raising, everything it calls written is committed. Raises Busy.
        """
        drafts = [self._draft_or_error(change) for change in changes]
        if not any(isinstance(draft, Draft) for draft in drafts):
            return [draft for draft in drafts if isinstance(draft, RecordError)]
        with self._begin() as work:
            results, written = self._apply_each(work, drafts, by, reason)
            self._follow(work, written)
        return results

    def decide(
        self,
        decide: Callable[[View], Sequence[Change]],
        by: Actor,
        reason: str | None = None,
    ) -> list[Written | RecordError]:
        """As ``write_each``, with changes that are decided when nobody else can write any more.

        Raises Busy, and what ``decide`` raises.
        """
        with self._begin() as work:
            changes = decide(self.view_of(work, by))
            drafts = [self._draft_or_error(change) for change in changes]
            return self._apply_each(work, drafts, by, reason)[0]

    def keep(
        self,
        rows: Sequence[Prepared],
        by: Actor,
        reason: str | None = None,
        *,
        before_commit: Callable[[Reader], None] | None = None,
    ) -> list[Done]:
        """Resources made ready elsewhere, in one transaction; what was done with each.

        ``before_commit`` sees the store as it would be, and undoes everything by raising. Raises
        Busy.
        """
        with self._begin() as work:
            keeping = Keeping(work, self._drafting.index, self._clock, self.new_id)
            done = keeping.keep(rows, by, reason)
            if before_commit is not None:
                before_commit(work)
            self._follow(work, keeping.written)
        return done

    def keep_release(self, name: str, body: bytes) -> Release:
        """Keep the bytes of a release; gives back what was kept first under its name."""
        with self._begin() as work:
            return work.keep_release(Release(name, self._clock(), body))

    # -- out ------------------------------------------------------------------------------------

    def see(self, caller: Actor, version: Version) -> Version | None:  # noqa: ARG002
        """The version as this caller may see it, or ``None``.

        The one place that decides it, asked for each version just before it leaves. Everybody sees
        everything so far, and ``hides`` says so.
        """
        return version

    def hides(self, caller: Actor) -> bool:  # noqa: ARG002
        """Whether ``see`` may hold anything back from this caller.

        If so, it is asked about whatever is counted, which costs a look at each version.
        """
        return False

    def shown(self, caller: Actor, version: Version | None, name: str, place: str = "") -> Version:
        """What ``see`` lets through of something asked for by ``name``. Raises NotFound, Gone."""
        shown = None if version is None else self.see(caller, version)
        if shown is None:
            raise NotFound.at(place, f"There is no {name}.")
        if shown.deleted:
            raise Gone.at(place, f"{name} was deleted.")
        return shown

    @contextmanager
    def view(self, caller: Actor) -> Iterator[View]:
        """Several questions about one and the same state of the record."""
        with self._reading() as reader:
            yield self.view_of(reader, caller)

    def view_of(self, reader: Reader, caller: Actor) -> View:
        """The same of what somebody has opened: of a unit of work before it is committed."""
        return View(reader, partial(self.see, caller), hides=self.hides(caller))

    def read(self, caller: Actor, type_: str, id_: str) -> Version:
        """The current version. Raises NotFound, Gone."""
        with self._reading() as reader:
            version = reader.current([(type_, id_)]).get((type_, id_))
        return self.shown(caller, version, f"{type_}/{id_}")

    async def read_each(self, asked: Sequence[tuple[Actor, Key]]) -> list[Version | RecordError]:
        """Current versions, each for its own caller, by one look-up; for the others, why not."""
        with understood():
            found = await self._store.current_soon({key for _, key in asked})
        return [self._shown_or_error(caller, found.get(key), key) for caller, key in asked]

    def vread(self, caller: Actor, type_: str, id_: str, version: int) -> Version:
        """One version. Raises NotFound, Gone when that version is the deletion."""
        with self._reading() as reader:
            found = reader.version((type_, id_), version)
        return self.shown(caller, found, f"{type_}/{id_}/_history/{version}")

    def versions(self, caller: Actor, keys: Collection[Key]) -> list[Version]:
        """Every version of these resources, deletions too, in the order of commits."""
        with self._reading() as reader:
            return list(self._visible(caller, reader.versions(keys)))

    def history(
        self,
        caller: Actor,
        type_: str | None = None,
        id_: str | None = None,
        *,
        since: datetime | None = None,
        at: Span | None = None,
        count: int = 100,
        cursor: str | None = None,
    ) -> Page:
        """Versions, newest first. Raises NotFound for a resource that never was.

        ``since`` and ``at`` are as for the store.
        """
        with self.view(caller) as view:
            return view.history(type_, id_, since=since, at=at, count=count, cursor=cursor)

    def search(
        self,
        caller: Actor,
        type_: str,
        criteria: Sequence[Criterion] = (),
        *,
        sort: Sequence[SortKey] = (),
        count: int | None = None,
        cursor: str | None = None,
    ) -> Page:
        """Current resources that meet every condition; all of them without ``count``."""
        with self.view(caller) as view:
            return view.search(type_, criteria, sort=sort, count=count, cursor=cursor)

    def total(self, caller: Actor, type_: str, criteria: Sequence[Criterion] = ()) -> int:
        """How many resources meet every condition, of those that the caller may see."""
        with self.view(caller) as view:
            return view.total(type_, criteria)

    def match_of(self, type_: str, query: str, *, base: str | None = None) -> Match:
        """What a condition asks for: see ``matching``. Raises Malformed."""
        return match_of(self.parameters, type_, query, now=self._clock(), base=base)

    def matches(self, matches: Sequence[Match]) -> dict[str, list[str]]:
        """Ids of the resources that meet each match, by its name; two stand for any more."""
        with self._reading() as reader:
            return look_up(reader, matches)

    def release(self, name: str) -> Release | None:
        """What was released under a name."""
        with self._reading() as reader:
            return reader.release(name)

    def events(self, after: int, count: int = 100) -> list[Event]:
        """Committed versions after an event number, oldest first."""
        with self._reading() as reader:
            return reader.events(after, count)

    def is_indexed(self) -> bool:
        """Whether everything kept before can be found by the parameters that there are now.

        Raises when the store cannot be read.
        """
        with self._reading() as reader:
            return reader.fact(INDEXED_BY) == self.parameters.digest

    # -- within ---------------------------------------------------------------------------------

    def _apply_each(
        self, work: UnitOfWork, drafts: Sequence[Draft | RecordError], by: Actor, reason: str | None
    ) -> tuple[list[Written | RecordError], Sequence[Written]]:
        """The end of each draft, and the versions that were written."""
        unit = self._unit(work)
        unit.open([draft for draft in drafts if isinstance(draft, Draft)])
        results = [_apply_or_error(unit, draft) for draft in drafts]
        unit.finish(by, reason)
        return results, unit.written

    def _follow(self, work: UnitOfWork, written: Sequence[Written]) -> None:
        """Write what follows from what was written. Without effect on what that becomes."""
        if self._follower is None or not written:
            return
        by, now = self._follower.actor, max(one.instant for one in written)
        changes = self._follower.changes(self.view_of(work, by), written, now)
        if not changes:
            return
        drafts = [self._draft_or_error(change) for change in changes]
        results, _ = self._apply_each(work, drafts, by, self._follower.reason)
        for error in results:
            if isinstance(error, RecordError):
                keys = [finding.key or finding.code for finding in error.findings]
                log.error("what follows from a write could not be written", findings=keys)

    def _unit(self, work: UnitOfWork) -> Unit:
        return Unit(work, self._drafting, self._clock, self.new_id)

    def _drafts(self, changes: Sequence[Change]) -> list[Draft]:
        drafts = [self._draft_or_error(change) for change in changes]
        errors = [draft for draft in drafts if isinstance(draft, RecordError)]
        if errors:
            kind = Malformed if all(isinstance(error, Malformed) for error in errors) else Invalid
            raise kind([finding for error in errors for finding in error.findings])
        return [draft for draft in drafts if isinstance(draft, Draft)]

    def _draft_or_error(self, change: Change) -> Draft | RecordError:
        try:
            return self._drafting.draft(change)
        except RecordError as error:
            return error

    def _shown_or_error(
        self, caller: Actor, version: Version | None, key: Key
    ) -> Version | RecordError:
        try:
            return self.shown(caller, version, "/".join(key))
        except RecordError as error:
            return error

    def _visible(self, caller: Actor, versions: Collection[Version]) -> Iterator[Version]:
        for version in versions:
            shown = self.see(caller, version)
            if shown is not None:
                yield shown

    @contextmanager
    def _begin(self) -> Iterator[UnitOfWork]:
        with understood(), self._store.begin() as work:
            yield work

    @contextmanager
    def _reading(self) -> Iterator[Reader]:
        with understood(), self._store.read() as reader:
            yield reader


@contextmanager
def understood() -> Iterator[None]:
    """What the store cannot find, will not look for, or cannot do now, as errors of the record."""
    try:
        yield
    except StoreBusyError:
        raise Busy.at("", "Others are writing; try again in a moment.") from None
    except StoreAwayError as error:
        raise Away.at("", _SETTLED if error.settled else _OPEN) from error
    except CursorError:
        raise Malformed.at("", "This page link was not given here.") from None
    except TooCostlyError:
        told = f"A search may have {MOST_PARTS} conditions and values, no more."
        raise Malformed([Finding("error", "too-costly", "", told)]) from None


_SETTLED = "The store cannot be reached at present; try again in a moment."
_OPEN = (
    "The store was lost while this was being kept: look whether it is there before you send it "
    "again."
)


def _with_places(changes: Sequence[Change]) -> list[Change]:
    """Several changes name their entry in findings, unless they say where they come from."""
    if len(changes) == 1:
        return list(changes)
    return [
        change if change.place else replace(change, place=f"Bundle.entry[{number}].resource")
        for number, change in enumerate(changes)
    ]


def _apply_or_error(unit: Unit, draft: Draft | RecordError) -> Written | RecordError:
    if isinstance(draft, RecordError):
        return draft
    try:
        return unit.apply(draft)
    except RecordError as error:
        return error


def _check_overlap(drafts: Sequence[Draft], written: Sequence[Written]) -> None:
    seen: set[Key] = set()
    for draft, one in zip(drafts, written, strict=True):
        key = (one.type, one.id)
        if key in seen:
            raise Malformed.at(
                draft.change.place, f"{one.type}/{one.id} is changed twice in one transaction."
            )
        seen.add(key)
