"""Thousands of requests that no well-meaning client would send, the same ones on every run.

``AIRWAY_FUZZ_REQUESTS`` says how many are sent to the application in this process over SQLite (a
quarter as many over PostgreSQL, a tenth over a socket), ``AIRWAY_FUZZ_SEED`` which. A failure
prints the smallest request that shows it; ``python -m pytest tests/fuzz -k replay`` sends again
what ``AIRWAY_FUZZ_REPLAY`` holds.
"""

import asyncio
import os
from pathlib import Path
from random import Random
from typing import Any

import arsenal
import httpx
import pytest
import worked_example
from campaign import Campaign, Report
from engines import postgres_address
from gunner import Gunner
from laws import Laws
from served_process import served
from set_clock import Clock
from shots import Answer, InProcess, Shot, Target
from structlog.testing import capture_logs

from service.api.app import create_app
from service.compose import build_validator, open_services
from service.fhir.json import read
from service.settings import Settings

SEED = int(os.environ.get("AIRWAY_FUZZ_SEED", "20310309"))
REQUESTS = int(os.environ.get("AIRWAY_FUZZ_REQUESTS", "1500"))
REPLAY = os.environ.get("AIRWAY_FUZZ_REPLAY", "")
DOCUMENTS = [*worked_example.PROGRAMMES, *worked_example.SESSIONS, worked_example.STATE]


class OverSocket:
    def __init__(self, client: httpx.AsyncClient) -> None:
        self._client = client

    async def send(self, shot: Shot) -> Answer:
        headers = [(name, value.encode()) for name, value in shot.headers]
        got = await self._client.request(
            shot.method, shot.path, headers=headers, content=shot.body or None
        )
        return Answer(got.status_code, dict(got.headers), got.content)


async def campaign(target: Target, validate: Any, requests: int, seed: int) -> Report:
    told = read((await target.send(Shot("GET", "/fhir/metadata"))).body)
    resources = told["rest"][0]["resource"]
    gunner = Gunner(Random(seed), resources, arsenal.resources(), DOCUMENTS)  # noqa: S311
    return await Campaign(target, gunner, Laws(validate)).run(requests)


def judge(report: Report, seed: int) -> None:
    said = f"seed {seed}: {report}"
    print(said)  # noqa: T201 - pytest shows it when the test fails, and with -s
    if report.broken:
        pytest.fail(said, pytrace=False)
    assert report.statuses[200] + report.statuses[201] > report.sent / 5, "too little came through"


@pytest.mark.parametrize(("engine", "share"), [("sqlite", 1.0), ("postgresql", 0.25)])
def test_in_this_process(engine: str, share: float, tmp_path: Path) -> None:
    store = postgres_address(tmp_path) if engine == "postgresql" else tmp_path / "record.sqlite"
    requests = int(REQUESTS * share)
    with open_services(Settings(store=store), Clock()) as services, capture_logs() as log:
        target = InProcess(create_app(services), log)
        report = asyncio.run(campaign(target, services.validator.validate, requests, SEED))
    judge(report, SEED)


def test_over_a_socket(tmp_path: Path) -> None:
    validator = build_validator()

    async def visit(address: str) -> Report:
        async with httpx.AsyncClient(base_url=address, timeout=60) as client:
            target = OverSocket(client)
            return await campaign(target, validator.validate, REQUESTS // 10, SEED + 1)

    with served(str(tmp_path / "record.sqlite"), tmp_path) as address:
        judge(asyncio.run(visit(address)), SEED + 1)


@pytest.mark.skipif(not REPLAY, reason="AIRWAY_FUZZ_REPLAY holds no request")
def test_replay(tmp_path: Path) -> None:
    with (
        open_services(Settings(store=tmp_path / "record.sqlite"), Clock()) as services,
        capture_logs() as log,
    ):
        shot = Shot.of(REPLAY)
        answer = asyncio.run(InProcess(create_app(services), log).send(shot))
        print(shot, answer.status, answer.body.decode("utf-8", "replace"), sep="\n")  # noqa: T201
        assert not list(Laws(services.validator.validate).broken(shot, answer))
