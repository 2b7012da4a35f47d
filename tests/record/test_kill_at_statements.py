"""A process that is killed within a transaction leaves nothing of it, wherever it was.

The process is killed (SIGKILL) just before each SQL statement in turn, and before the commit.
"""

import os
import signal
from itertools import count

import pytest
from engines import ENGINES
from record_samples import AUTHOR, observation, patient
from search_language import parameters
from sqlalchemy import Engine, event

from service.fhir.patch import JsonPatch
from service.record import Create, Delete, Patch, Record, Update
from service.record.transactions import Transactions

BASE = "http://127.0.0.1:8000/fhir"
BEFORE = [
    Update(observation(id="changed")),
    Update(observation(id="patched")),
    Update(observation(id="deleted")),
]
AMENDED = JsonPatch([{"op": "replace", "path": "/status", "value": "amended"}])


def changes():
    return [
        Delete("Observation", "deleted"),
        Create(patient(), "made"),
        Update(observation(id="changed", status="amended")),
        Patch("Observation", "patched", AMENDED),
    ]


def bundle():
    return {
        "resourceType": "Bundle",
        "type": "transaction",
        "entry": [
            {"request": {"method": "DELETE", "url": "Observation/deleted"}},
            {
                "request": {"method": "PUT", "url": "Patient/made"},
                "resource": patient(id="made"),
            },
            {
                "request": {"method": "PUT", "url": "Observation/changed"},
                "resource": observation(id="changed", status="amended"),
            },
        ],
    }


WAYS = {
    "changes": lambda record: record.write(changes(), AUTHOR),
    "transaction": lambda record: Transactions(record, BASE).carry_out(bundle(), AUTHOR),
}


def killed_at(number, work):
    """Whether a process that does ``work`` in a copy of this one met its statement ``number``."""
    child = os.fork()
    if child:
        _, status = os.waitpid(child, 0)
        assert os.WIFSIGNALED(status) or os.WEXITSTATUS(status) == 0
        return os.WIFSIGNALED(status) and os.WTERMSIG(status) == signal.SIGKILL
    try:
        left = count(1 - number)

        def step(*_):
            if next(left) == 0:
                os.kill(os.getpid(), signal.SIGKILL)

        event.listen(Engine, "before_cursor_execute", step)
        event.listen(Engine, "commit", step)
        work()
        os._exit(0)
    finally:
        os._exit(1)


def state(store, validator, clock):
    """Everything that can be seen of a record: the outbox, and what each search finds."""
    record = Record(store, validator, clock, parameters())
    found = {
        type_: [(one.id, one.version, one.body) for one in record.search(AUTHOR, type_).versions]
        for type_ in ("Observation", "Patient", "Provenance")
    }
    return [(one.number, one.type, one.id, one.version) for one in record.events(0)], found


@pytest.mark.parametrize("way", WAYS)
@pytest.mark.parametrize("engine", ENGINES)
def test_a_transaction_killed_at_any_statement_leaves_nothing(
    engine, way, tmp_path, validator, clock
):
    store = ENGINES[engine](tmp_path)
    Record(store, validator, clock, parameters()).write(BEFORE, AUTHOR)
    before = state(store, validator, clock)
    store.close()

    def work():
        own = ENGINES[engine](tmp_path)
        WAYS[way](Record(own, validator, clock, parameters()))

    for number in count(1):
        killed = killed_at(number, work)
        store = ENGINES[engine](tmp_path)
        after = state(store, validator, clock)
        store.close()
        if not killed:
            break
        assert after == before, f"statement {number}"
    assert number > 5, "there were statements at which to be killed"
    events, found = after
    assert len(events) > len(before[0])
    assert [id_ for id_, _, _ in found["Patient"]] == ["made"]
    assert "deleted" not in [id_ for id_, _, _ in found["Observation"]]
