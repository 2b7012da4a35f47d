"""One unit of work under the write lock: look things up again, compare versions, number, write."""

import re
from collections.abc import Callable, Sequence
from dataclasses import replace
from datetime import UTC, datetime

from service.fhir.json import JsonObject, read
from service.record.bodies import LONGEST, moment_after, says_the_same, unstamped
from service.record.changes import (
    Actor,
    Create,
    Delete,
    Done,
    Match,
    Patch,
    Premise,
    Update,
    Written,
)
from service.record.drafts import Draft, Drafting
from service.record.edits import edited
from service.record.errors import Conflict, Gone, Malformed, Moved, NotFound, TooLong
from service.record.matching import look_up
from service.record.provenance import provenance
from service.store.contract import Entry, Key, UnitOfWork, Version

_TAG = re.compile(r'(?:W/)?"([1-9]\d{0,9})"', re.ASCII)


class Unit:
    """What is about to be committed.

    ``new_id`` gives ids that nobody used; ``clock`` is read once, after everything is locked, so
    that the order of commits is the order of instants.
    """

    def __init__(
        self,
        work: UnitOfWork,
        drafting: Drafting,
        clock: Callable[[], datetime],
        new_id: Callable[[], str],
    ) -> None:
        self._work = work
        self._drafting = drafting
        self._clock = clock
        self._new_id = new_id
        self._instant = datetime.min.replace(tzinfo=UTC)
        self._matches: dict[str, list[str]] = {}
        self._current: dict[Key, Version] = {}
        self._entries: list[Entry] = []
        self._written: list[Written] = []

    def open(self, drafts: Sequence[Draft], premises: Sequence[Premise] = ()) -> None:
        """Lock and read everything that the drafts are about, in as few questions as possible."""
        matches = [premise.match for premise in premises]
        matches += [match for draft in drafts if (match := _match(draft)) is not None]
        self._work.hold(sorted({match.name for match in matches}))
        self._matches = look_up(self._work, matches)
        keys = {(match.type, id_) for match in matches for id_ in self._matches[match.name]}
        keys |= {key for draft in drafts if (key := _named(draft)) is not None}
        self._current = self._work.lock(keys)
        self._instant = moment_after(self._clock(), self._current.values())
        for premise in premises:
            if self._matches[premise.match.name] != ([premise.found] if premise.found else []):
                raise Moved.at("", f"{premise.match.name} leads elsewhere by now.")

    def apply(self, draft: Draft) -> Written:
        """Decide one draft. Raises Conflict, NotFound, Malformed, TooLong; the unit goes on."""
        match draft.change:
            case Create():
                return self._create(draft, draft.change)
            case Update():
                return self._update(draft, draft.change)
            case Patch():
                return self._patch(draft, draft.change)
            case Delete():
                return self._delete(draft.change)

    def finish(self, by: Actor, reason: str | None) -> None:
        """Write what was decided, with its Provenance. Nothing decided, nothing written."""
        if not self._written:
            return
        record = provenance(self._written, by, reason, self._instant)
        version = self._version(record, "Provenance", self._new_id(), None)
        self._work.write([*self._entries, Entry(version, self._drafting.index(record))])

    @property
    def written(self) -> Sequence[Written]:
        """What was decided so far and changes something."""
        return self._written

    def _found(self, match: Match | None, place: str) -> str | None:
        if match is None:
            return None
        found = self._matches[match.name]
        if len(found) > 1:
            raise Conflict.at(place, f"More than one {match.type} meets {match.text}.")
        return found[0] if found else None

    def _create(self, draft: Draft, change: Create) -> Written:
        found = self._found(change.match, change.place)
        if found is not None:
            return Written.of(self._current[draft.type, found], "existing")
        id_ = change.id or self._new_id()
        if (draft.type, id_) in self._current:
            raise Conflict.at(change.place, f"{draft.type}/{id_} exists already.")
        return self._put(draft, change.resource, id_, None, "created")

    def _update(self, draft: Draft, change: Update) -> Written:
        id_ = self._target(draft, change)
        before = self._current.get((draft.type, id_))
        place = change.place or f"{draft.type}/{id_}"
        _check_version(before, change.if_match, place)
        if change.only_new and before is not None and not before.deleted:
            raise Conflict.at(place, f"There is a {draft.type}/{id_} already.")
        if before is None or before.deleted:
            return self._put(draft, change.resource, id_, before, "created")
        stored = read(before.body)
        resource = change.resource
        if change.revise is not None:
            resource = change.revise(stored, resource)
        if says_the_same(stored, resource):
            return Written.of(before, "unchanged")
        if resource is not change.resource:
            draft = self._drafting.draft(replace(change, resource=resource))
        return self._put(draft, resource, id_, before, "updated")

    def _target(self, draft: Draft, change: Update) -> str:
        """The id that an update is about: its own, or that of the one match."""
        own: str | None = change.resource.get("id")
        found = self._found(change.match, change.place)
        if found is not None and own is not None and own != found:
            raise Malformed.at(
                change.place,
                f"{change.match and change.match.text} is {found}, the body says {own}.",
            )
        if change.match is not None and found is None and (draft.type, own) in self._current:
            raise Conflict.at(change.place, f"{draft.type}/{own} does not meet the condition.")
        return found or own or self._new_id()

    def _patch(self, draft: Draft, change: Patch) -> Written:
        before = self._meant(change)
        if before is None:
            told = f"{change.type}/{change.id}" if change.id else f"{change.type} that is meant"
            raise NotFound.at(change.place or change.type, f"There is no {told}.")
        if before.deleted:
            raise Gone.at(change.place, f"{before.type}/{before.id} was deleted.")
        stored = read(before.body)
        resource = edited(stored, change)
        if says_the_same(stored, resource):
            return Written.of(before, "unchanged")
        judged = self._drafting.draft(Update(resource, place=change.place))
        return self._put(replace(draft, index=judged.index), resource, before.id, before, "updated")

    def _delete(self, change: Delete) -> Written:
        before = self._meant(change)
        if before is None:
            nothing = Version(change.type, change.id or "", 0, self._instant, True, b"")
            return Written.of(nothing, "absent")
        if before.deleted:
            return Written.of(before, "unchanged")
        after = Version(before.type, before.id, before.version + 1, self._instant, True, b"")
        return self._keep(Entry(after), "deleted")

    def _meant(self, change: Patch | Delete) -> Version | None:
        """The version that is there, by id or as the only match. Raises Conflict."""
        id_ = change.id or self._found(change.match, change.place)
        before = None if id_ is None else self._current.get((change.type, id_))
        place = f"{change.type}/{id_}" if id_ else (change.match or change).type
        _check_version(before, change.if_match, change.place or place)
        return before

    def _put(
        self, draft: Draft, resource: JsonObject, id_: str, before: Version | None, done: Done
    ) -> Written:
        version = self._version(resource, draft.type, id_, before, draft.change.place)
        match = _match(draft)
        if match is not None:
            self._matches[match.name] = [id_]
        return self._keep(Entry(version, draft.index), done)

    def _version(
        self, resource: JsonObject, type_: str, id_: str, before: Version | None, place: str = ""
    ) -> Version:
        number = before.version + 1 if before else 1
        text = unstamped(resource, id_)
        if not text.fits:
            raise TooLong.at(place or type_, f"A resource has at most {LONGEST} bytes as JSON.")
        body = text.stamped(number, self._instant)
        return Version(type_, id_, number, self._instant, False, body)

    def _keep(self, entry: Entry, done: Done) -> Written:
        self._current[entry.version.type, entry.version.id] = entry.version
        self._entries.append(entry)
        written = Written.of(entry.version, done)
        self._written.append(written)
        return written


def _match(draft: Draft) -> Match | None:
    return draft.change.match


def _named(draft: Draft) -> Key | None:
    match draft.change:
        case Delete(id=str(id_)) | Patch(id=str(id_)) | Create(id=str(id_)):
            return (draft.type, id_)
        case Update(resource={"id": str(id_)}):
            return (draft.type, id_)
    return None


def _check_version(before: Version | None, if_match: str | None, place: str) -> None:
    """The weak and the strong form of a tag mean the same; a tag we never gave meets nothing."""
    if if_match is None:
        return
    alive = before is not None and not before.deleted
    if if_match.strip() == "*" and alive:
        return
    tag = _TAG.fullmatch(if_match.strip())
    if tag and before is not None and int(tag.group(1)) == before.version:
        return
    found = f"version {before.version}" if before and alive else "no such resource"
    raise Conflict.at(place, f"If-Match asks for {if_match}, the record has {found}.")
