"""Transaction Bundles (R4 http.html#trules): all or nothing, identities before anything else.

Conditions are looked up first, outside the write lock, so that ids are known, references can be
rewritten and everything can be checked. Under the lock they are looked up again; if one leads
elsewhere by now, nothing is written and the whole is planned anew.
"""

from collections.abc import Sequence
from dataclasses import dataclass

from service.fhir.json import JsonObject
from service.programme.checks import Policy
from service.record.changes import Actor, Change, Create, Delete, Update, Written
from service.record.errors import Moved
from service.record.links import rewritten
from service.record.open_cautions import without_open_cautions
from service.record.plan import Plan, Planning
from service.record.record import Record
from service.record.requests import METHODS, Request, requests
from service.store.contract import Reader, Version

_ATTEMPTS = 5
"""Each failed one means that another writer came first; more than a few say that it is stuck."""

_STATUS = {"created": 201, "updated": 200, "unchanged": 200, "existing": 200, "deleted": 204}


@dataclass(frozen=True, slots=True)
class Answer:
    """What became of one entry: an HTTP status and the version that was written or read."""

    status: int
    version: Version


class Transactions:
    """Carries out transactions over a record. ``base`` is this service's own FHIR address.

    ``policy``: the cautions that a plan among the entries must not leave open.
    """

    def __init__(self, record: Record, base: str, *, policy: Policy | None = None) -> None:
        self._record = record
        self._base = base
        self._policy = policy or Policy()

    def carry_out(self, bundle: JsonObject, by: Actor, reason: str | None = None) -> list[Answer]:
        """The answers in the order of the entries.

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

    def _attempt(self, asked: Sequence[Request], by: Actor, reason: str | None) -> list[Answer]:
        plan = Planning(self._record, self._base).plan(asked)
        in_order = sorted(asked, key=lambda request: METHODS.index(request.method))
        changing = [request for request in in_order if request.number in plan.changed]
        changes = [_change(request, plan) for request in changing]
        judge = without_open_cautions(changes, self._policy)
        answers: dict[int, Answer] = {}

        def before_commit(reader: Reader) -> None:
            if judge is not None:
                judge(reader)
            for request in asked:
                if request.number not in plan.changed:
                    answers[request.number] = self._read(reader, request, plan, by)

        written = self._record.write(
            changes, by, reason, premises=plan.premises, before_commit=before_commit
        )
        for request, one in zip(changing, written, strict=True):
            answers[request.number] = Answer(_status(one), one)
        return [answers[request.number] for request in asked]

    def _read(self, reader: Reader, request: Request, plan: Plan, by: Actor) -> Answer:
        """A GET, or what a conditional create found."""
        key = plan.targets.get(request.number) or (request.type, request.id or "")
        if request.version is None:
            version = reader.current([key]).get(key)
        else:
            version = reader.version(key, request.version)
        return Answer(200, self._record.shown(by, version, "/".join(key), request.place))


def _change(request: Request, plan: Plan) -> Change:
    type_, id_ = plan.targets[request.number]
    if request.method == "DELETE":
        return Delete(type_, id_, request.if_match, request.place)
    resource = rewritten(request.resource, plan.names)
    place = f"{request.place}.resource"
    if request.method == "POST":
        return Create(resource, id_, place=place)
    resource = resource if "id" in resource else {**resource, "id": id_}
    return Update(resource, request.if_match, plan.matches.get(request.number), place=place)


def _status(written: Written) -> int:
    return _STATUS[written.done]
