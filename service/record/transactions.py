"""Transaction Bundles (R4 http.html#trules): all or nothing, identities before anything else.

Conditions are looked up first, outside the write lock, so that ids are known, references can be
rewritten and everything can be checked. Under the lock they are looked up again; if one leads
elsewhere by now, nothing is written and the whole is planned anew.
"""

import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace

from service.fhir.json import JsonObject
from service.programme.checks import Policy
from service.record.changes import Actor, Change, Create, Delete, Patch, Update, Written
from service.record.errors import Malformed, Moved, RecordError
from service.record.links import rewritten, rewritten_patch
from service.record.patches import Edit, SentPatch
from service.record.plan import Plan, Planning
from service.record.plans_sent import judge_of
from service.record.record import Record, understood
from service.record.requests import ORDER, READING, Request, requests
from service.record.view import View
from service.store.contract import Key, Reader, Version

_ATTEMPTS = 5
"""Each failed one means that another writer came first; more than a few say that it is stuck."""

_TAG = re.compile(r'"([^"]*)"')
_STATUS = {"created": 201, "updated": 200, "unchanged": 200, "existing": 200}
"""By what was done; of a deletion it is 204."""

Asked = Callable[[View], bytes]
"""A search or a history that was understood: its Bundle, out of one look at the record."""


@dataclass(frozen=True, slots=True)
class Answer:
    """What became of one entry: an HTTP status and the version that was written or read.

    A delete of nothing has no version; a search or a history has a ``bundle`` instead.
    """

    status: int
    version: Version | None = None
    bundle: bytes | None = None


def _not_asked(request: Request) -> Asked:
    raise Malformed.at(f"{request.place}.request.url", "Searches are not answered here.")


class Transactions:
    """Carries out transactions over a record. ``base`` is this service's own FHIR address.

    ``policy``: the cautions that a plan among the entries must not leave open. ``ask``
    understands a search or a history, or raises; it is asked about all of them before anything is
    tried.
    """

    def __init__(
        self,
        record: Record,
        base: str,
        *,
        policy: Policy | None = None,
        ask: Callable[[Request], Asked] = _not_asked,
    ) -> None:
        self._record = record
        self._base = base
        self._policy = policy or Policy()
        self._ask = ask

    def carry_out(self, bundle: JsonObject, by: Actor, reason: str | None = None) -> list[Answer]:
        """The answers in the order of the entries.

        What is read is the state after all writes of the transaction, and before anybody else's:
        it is read before the commit, so that what cannot be answered undoes them.

        Raises Malformed, Invalid, Conflict, NotFound, Gone or Busy with findings at
        ``Bundle.entry[n]``, and what ``ask`` raises; then nothing was changed.
        """
        requested = requests(bundle, self._base)
        asked = {request.number: self._ask(request) for request in requested if request.many}
        for _ in range(_ATTEMPTS - 1):
            try:
                return self._attempt(requested, asked, by, reason)
            except Moved:
                continue
        return self._attempt(requested, asked, by, reason)

    def _attempt(
        self,
        requested: Sequence[Request],
        asked: Mapping[int, Asked],
        by: Actor,
        reason: str | None,
    ) -> list[Answer]:
        plan = Planning(self._record, self._base).plan(requested)
        in_order = sorted(requested, key=lambda request: ORDER[request.method])
        changing = [request for request in in_order if request.number in plan.changed]
        changes = [_change(request, plan) for request in changing]
        judge = judge_of(changes, self._policy)
        answers: dict[int, Answer] = {}

        def before_commit(reader: Reader, written: Sequence[Written]) -> None:
            if judge is not None:
                judge(reader, written)
            view = self._record.view_of(reader, by)
            for request in requested:
                if request.number in asked:
                    answers[request.number] = _found(request, asked[request.number], view)
                elif request.number not in plan.changed:
                    answers[request.number] = self._unchanged(reader, request, plan, by)

        written = self._record.write(
            changes, by, reason, premises=plan.premises, before_commit=before_commit
        )
        for request, one in zip(changing, written, strict=True):
            version = None if one.done == "absent" else one
            answers[request.number] = Answer(204 if one.deleted else _STATUS[one.done], version)
        return [answers[request.number] for request in requested]

    def _unchanged(self, reader: Reader, request: Request, plan: Plan, by: Actor) -> Answer:
        """A read, what a conditional create found, or a conditional delete of nothing."""
        if request.method in READING:
            return self._read(reader, request, by)
        key = plan.targets.get(request.number)
        if key is None:
            return Answer(204)
        return self._shown(reader.current([key]).get(key), key, request, by)

    def _read(self, reader: Reader, request: Request, by: Actor) -> Answer:
        key = (request.type, str(request.id))
        if request.version is not None:
            return self._shown(reader.version(key, request.version), key, request, by)
        answer = self._shown(reader.current([key]).get(key), key, request, by)
        return replace(answer, status=304) if _has_it(request, answer) else answer

    def _shown(self, version: Version | None, key: Key, request: Request, by: Actor) -> Answer:
        return Answer(200, self._record.shown(by, version, "/".join(key), request.place))


def _found(request: Request, asked: Asked, view: View) -> Answer:
    """Raises what the search or history does, at the address that asks for it."""
    try:
        with understood():
            return Answer(200, bundle=asked(view))
    except RecordError as error:
        place = f"{request.place}.request.url"
        raise type(error)([replace(one, expression=place) for one in error.findings]) from None


def _has_it(request: Request, answer: Answer) -> bool:
    """Whether the client says that it has this version already (ifNoneMatch goes first)."""
    version, since = answer.version, request.if_modified_since
    if version is None:
        return False
    if request.if_none_match is not None:
        return str(version.version) in _TAG.findall(request.if_none_match)
    return since is not None and version.instant <= since


def _change(request: Request, plan: Plan) -> Change:
    type_, id_ = plan.targets[request.number]
    match = plan.matches.get(request.number)
    place = f"{request.place}.resource"
    if request.method == "DELETE":
        return Delete(type_, id_, request.if_match, place=request.place)
    if request.patch is not None:
        edit = _edit(request.patch, plan, place)
        return Patch(type_, id_, edit, request.if_match, place=place)
    resource = rewritten(request.resource, plan.names)
    if request.method == "POST":
        return Create(resource, id_, place=place)
    resource = resource if "id" in resource else {**resource, "id": id_}
    only_new = (request.if_none_match or "").strip() == "*"
    return Update(resource, request.if_match, only_new, match, place=place)


def _edit(patch: SentPatch, plan: Plan, place: str) -> Edit:
    rewrite = rewritten_patch if patch.is_json_patch else rewritten
    return replace(patch, document=rewrite(patch.document, plan.names)).edit(place)
