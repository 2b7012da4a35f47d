"""Transaction Bundles (R4 http.html#trules): all or nothing, identities before anything else.

Conditions are looked up first, outside the write lock, so that ids are known, references can be
rewritten and everything can be checked. Under the lock they are looked up again; if one leads
elsewhere by now, nothing is written and the whole is planned anew.
"""

import re
from collections.abc import Sequence
from dataclasses import dataclass, replace

from service.fhir.json import JsonObject
from service.programme.checks import Policy
from service.record.changes import Actor, Change, Create, Delete, Patch, Update, Written
from service.record.errors import Moved, NotFound
from service.record.links import rewritten, rewritten_patch
from service.record.patches import Edit, SentPatch
from service.record.plan import Plan, Planning
from service.record.plans_sent import judge_of
from service.record.record import Record
from service.record.requests import ORDER, READING, Request, requests
from service.store.contract import Key, Reader, Version

_ATTEMPTS = 5
"""Each failed one means that another writer came first; more than a few say that it is stuck."""

_TAG = re.compile(r'"([^"]*)"')
_STATUS = {"created": 201, "updated": 200, "unchanged": 200, "existing": 200, "deleted": 204}


@dataclass(frozen=True, slots=True)
class Answer:
    """What became of one entry: an HTTP status and the version that was written or read.

    A conditional delete of nothing has no version.
    """

    status: int
    version: Version | None = None


class Transactions:
    """Carries out transactions over a record. ``base`` is this service's own FHIR address.

    ``policy``: the cautions that a plan among the entries must not leave open.
    """

    def __init__(self, record: Record, base: str, *, policy: Policy | None = None) -> None:
        self._record = record
        self._base = base
        self._policy = policy or Policy()

    def carry_out(
        self, bundle: JsonObject, by: Actor, reason: str | None = None
    ) -> list[Answer | None]:
        """The answers in the order of the entries.

        A search or a history has none: it is to be asked now, when the writes are committed. A
        history of one resource is known to exist by then.

        Raises Malformed, Invalid, Conflict, NotFound, Gone or Busy with findings at
        ``Bundle.entry[n]``; then nothing was changed.
        """
        asked = requests(bundle, self._base)
        for _ in range(_ATTEMPTS - 1):
            try:
                return self._attempt(asked, by, reason)
            except Moved:
                continue
        return self._attempt(asked, by, reason)

    def _attempt(
        self, asked: Sequence[Request], by: Actor, reason: str | None
    ) -> list[Answer | None]:
        plan = Planning(self._record, self._base).plan(asked)
        in_order = sorted(asked, key=lambda request: ORDER[request.method])
        changing = [request for request in in_order if request.number in plan.changed]
        changes = [_change(request, plan) for request in changing]
        judge = judge_of(changes, self._policy)
        answers: dict[int, Answer | None] = {}

        def before_commit(reader: Reader, written: Sequence[Written]) -> None:
            if judge is not None:
                judge(reader, written)
            for request in asked:
                if request.number not in plan.changed:
                    answers[request.number] = self._unchanged(reader, request, plan, by)

        written = self._record.write(
            changes, by, reason, premises=plan.premises, before_commit=before_commit
        )
        for request, one in zip(changing, written, strict=True):
            answers[request.number] = Answer(_STATUS[one.done], one)
        return [answers[request.number] for request in asked]

    def _unchanged(self, reader: Reader, request: Request, plan: Plan, by: Actor) -> Answer | None:
        """A read, what a conditional create found, or a conditional delete of nothing."""
        if request.method in READING:
            return self._read(reader, request, by)
        key = plan.targets.get(request.number)
        if key is None:
            return Answer(204)
        return self._shown(reader.current([key]).get(key), key, request, by)

    def _read(self, reader: Reader, request: Request, by: Actor) -> Answer | None:
        if request.id is None:
            return None
        key = (request.type, request.id)
        if request.version is not None:
            return self._shown(reader.version(key, request.version), key, request, by)
        version = reader.current([key]).get(key)
        if not request.many:
            answer = self._shown(version, key, request, by)
            return replace(answer, status=304) if _has_it(request, answer) else answer
        if version is None:
            raise NotFound.at(request.place, f"There is no {'/'.join(key)}.")
        return None

    def _shown(self, version: Version | None, key: Key, request: Request, by: Actor) -> Answer:
        return Answer(200, self._record.shown(by, version, "/".join(key), request.place))


def _has_it(request: Request, answer: Answer) -> bool:
    """Whether the client says that it has this version already (ifNoneMatch)."""
    tags = _TAG.findall(request.if_none_match or "")
    return answer.version is not None and str(answer.version.version) in tags


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
