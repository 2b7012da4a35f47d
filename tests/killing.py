"""Processes that are killed (SIGKILL) at work, and what must be left of what they did."""

import multiprocessing
import os
import time
from collections import Counter
from collections.abc import Callable, Sequence
from multiprocessing.connection import Connection
from pathlib import Path
from typing import Any

from record_samples import AUTHOR

from service.compose import build_index
from service.fhir.json import read
from service.record import Record
from service.record.bulk import Loading, Maker, rows_of
from service.record.upkeep import verify
from service.store.contract import Store

Open = Callable[[], Store]


def start(work: Callable[..., None], *arguments: Any) -> tuple[Any, Connection]:
    """A process (and session) of its own, and what it tells: ``work(..., told)``."""
    heard, told = multiprocessing.Pipe(duplex=False)
    process = multiprocessing.get_context("fork").Process(
        target=_alone, args=(work, arguments, told)
    )
    process.start()
    told.close()
    return process, heard


def _alone(work: Callable[..., None], arguments: tuple[Any, ...], told: Connection) -> None:
    os.setsid()
    work(*arguments, told)


def load(
    opened: Open, make: Callable[[Store], Record], maker: Maker, rows: bytes, told: Connection
) -> None:
    """Loads on two cores; tells up to which row everything is kept."""
    record = make(opened())
    loading = Loading(record, AUTHOR, lambda: maker, here=maker, workers=2)
    for progress in loading.take(rows_of([rows])):
        told.send(progress.up_to)


def heard_until_the_end(heard: Connection, on: Callable[[Any], None]) -> list[Any]:
    """Everything that a process told until it was gone; ``on`` sees each as it comes."""
    listened = []
    try:
        while True:
            listened.append(heard.recv())
            on(listened[-1])
    except EOFError:
        return listened


def assert_nobody_is_left(session: int) -> None:
    """No process of a session lives on, half a minute after the first was killed."""
    until = time.monotonic() + 30
    while alive := _alive(session):
        assert time.monotonic() < until, alive
        time.sleep(0.05)


def _alive(session: int) -> list[str]:
    found = []
    for stat in Path("/proc").glob("[0-9]*/stat"):
        try:
            name, _, rest = stat.read_text().rpartition(")")
        except OSError:
            continue
        state, _, _, own, *_ = rest.split()
        if int(own) == session and state != "Z":
            found.append(f"{name}) {state}")
    return found


def assert_sound(store: Store, record: Record) -> None:
    """Nothing is half written: bodies, versions, pointers, index, outbox, and one Provenance for
    each version."""
    flaws = [one.to_json() for _, found in verify(store, build_index, workers=1) for one in found]
    assert flaws == []
    written = {
        f"{event.type}/{event.id}/_history/{event.version}"
        for event in record.events(0, 1_000_000)
        if event.type != "Provenance"
    }
    told = Counter(
        target["reference"]
        for version in record.search(AUTHOR, "Provenance").versions
        for target in read(version.body)["target"]
    )
    assert told == Counter(written)


def assert_kept(record: Record, rows: Sequence[dict[str, Any]]) -> None:
    """Each row is current, value for value."""
    for row in rows:
        stored = read(record.read(AUTHOR, row["resourceType"], row["id"]).body)
        assert stored.pop("meta")["versionId"]
        assert stored == row
