"""Sends many requests, holds every answer against the laws, and makes small what breaks one."""

import json
from base64 import b64decode
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from typing import Any

from gunner import Gunner
from laws import Laws, what_is_said
from shots import Answer, Shot, Target

_ATTEMPTS = 500
"""How often a request that breaks a law is made smaller at most."""


@dataclass
class Report:
    sent: int = 0
    statuses: Counter[int] = field(default_factory=Counter)
    broken: dict[str, tuple[Shot, str]] = field(default_factory=dict)
    """What is wrong, to the smallest request found that shows it and the answer."""
    times: Counter[str] = field(default_factory=Counter)

    def __str__(self) -> str:
        parts = [f"{self.sent} requests, statuses {dict(sorted(self.statuses.items()))}"]
        for wrong, (shot, told) in self.broken.items():
            parts += [f"--- {wrong} ({self.times[wrong]} times)", str(shot), f"=> {told[:800]}"]
            parts += [f"replay: {shot.replayable()}"]
        return "\n".join(parts)


class Campaign:
    def __init__(self, target: Target, gunner: Gunner, laws: Laws) -> None:
        self._target = target
        self._gunner = gunner
        self._laws = laws
        self.report = Report()

    async def run(self, requests: int) -> Report:
        while self.report.sent < requests:
            shot = self._gunner.shot()
            answer = await self._send(shot)
            for wrong in await self._wrongs(shot, answer):
                await self._keep(wrong, shot, answer)
        alive = await self._send(Shot("GET", "/fhir/metadata"))
        if alive.status != 200:
            self.report.broken["it no longer answers"] = (Shot("GET", "/fhir/metadata"), "")
        return self.report

    async def _send(self, shot: Shot) -> Answer:
        answer = await self._target.send(shot)
        self.report.sent += 1
        self.report.statuses[answer.status] += 1
        return answer

    async def _wrongs(self, shot: Shot, answer: Answer) -> list[str]:
        found = list(self._laws.broken(shot, answer))
        location = answer.headers.get("location", "")
        if not found and answer.status == 201 and "/fhir/" in location:
            reference = "/".join(location.partition("/fhir/")[2].split("/")[:2])
            self._gunner.known = [*self._gunner.known[-200:], reference]
        if not found and shot.sent is not None and answer.status in (200, 201) and location:
            found = [*await self._kept(shot, f"/fhir/{location.partition('/fhir/')[2]}")]
        return found

    async def _kept(self, shot: Shot, path: str) -> list[str]:
        """Whether what was accepted is read back value for value."""
        got = await self._send(Shot("GET", path, (("accept", "application/fhir+json"),)))
        if got.status != 200:
            return [f"accepted, and then {got.status} at its own address"]
        if "if-none-exist" in dict(shot.headers):
            return []  # what was there already need not be what was sent
        if "/Binary/" in path and _holds(got.body, shot.body):
            return []  # what is no Binary is the content of one
        try:
            places = [*_differences(what_is_said(shot.body), what_is_said(got.body))]
        except ValueError as error:
            return [f"accepted, but no plain JSON: {type(error).__name__}"]
        return [f"read back otherwise than it was sent: {places[0]}"] if places else []

    async def _keep(self, wrong: str, shot: Shot, answer: Answer) -> None:
        key = wrong[:160]
        self.report.times[key] += 1
        if key not in self.report.broken:
            small, answer = await self._smallest(key, shot, answer)
            told = f"{answer.status} {answer.body.decode('utf-8', 'replace')}"
            self.report.broken[key] = (small, told)

    async def _smallest(self, key: str, shot: Shot, answer: Answer) -> tuple[Shot, Answer]:
        """Leave out part after part while the same law is broken."""
        left = _ATTEMPTS
        smaller = True
        while smaller and left > 0:
            smaller = False
            for candidate in _smaller(shot):
                left -= 1
                got = await self._send(candidate)
                if key in [wrong[:160] for wrong in await self._wrongs(candidate, got)]:
                    shot, answer, smaller = candidate, got, True
                    break
                if left <= 0:
                    break
        return shot, answer


def _holds(binary: bytes, content: bytes) -> bool:
    """Whether a Binary is a wrapping of this content."""
    return b64decode(json.loads(binary).get("data", "")) == content


def _differences(one: Any, other: Any, place: str = "") -> Iterator[str]:
    """Where two values differ."""
    if isinstance(one, dict) and isinstance(other, dict):
        for name in sorted(one.keys() | other.keys()):
            yield from _differences(one.get(name), other.get(name), f"{place}.{name}")
    elif isinstance(one, list) and isinstance(other, list) and len(one) == len(other):
        for number, (left, right) in enumerate(zip(one, other, strict=True)):
            yield from _differences(left, right, f"{place}[{number}]")
    elif one != other:
        yield f"{place} ({str(one)[:40]!r}, {str(other)[:40]!r})"


def _smaller(shot: Shot) -> Iterator[Shot]:
    for number in range(len(shot.headers)):
        yield replace(shot, headers=shot.headers[:number] + shot.headers[number + 1 :])
    path, _, query = shot.path.partition("?")
    pairs = query.split("&")
    for number in range(len(pairs)) if query else ():
        rest = "&".join(pairs[:number] + pairs[number + 1 :])
        yield replace(shot, path=f"{path}?{rest}" if rest else path)
    try:
        whole = json.loads(shot.body)
    except ValueError:
        return
    for part in _without_one(whole):
        yield replace(shot, body=json.dumps(part).encode(), sent=shot.sent and part)


def _without_one(value: Any) -> Iterator[Any]:
    """The value without each one of its parts, the greatest first."""
    if isinstance(value, dict):
        for key in value:
            yield {name: part for name, part in value.items() if name != key}
        for key, part in value.items():
            for less in _without_one(part):
                yield value | {key: less}
    elif isinstance(value, list):
        for number in range(len(value)):
            yield value[:number] + value[number + 1 :]
        for number, part in enumerate(value):
            for less in _without_one(part):
                yield [*value[:number], less, *value[number + 1 :]]
