"""Many resources checked on all cores, in order and in a memory that does not grow with them."""

import os
import signal
from collections import Counter, deque
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import Future, ProcessPoolExecutor
from dataclasses import dataclass, field
from multiprocessing import get_start_method

from service.fhir.fast import QuickValidator
from service.fhir.outcome import Finding, Severity, has_errors
from service.fhir.positions import located

Build = Callable[[], QuickValidator]
"""Gives each process its validator; a function of a module, so that processes can be handed it."""

PORTION_TEXTS, PORTION_BYTES = 512, 1024 * 1024
"""Most resources, and about how many bytes, that a process is handed at a time."""
_WAITING = 3
"""Portions under way for each process."""


def check_batch(
    texts: Iterable[bytes],
    build: Build,
    *,
    profiles: Sequence[str] = (),
    workers: int | None = None,
) -> Iterator[list[Finding]]:
    """The findings of each JSON text, located in it, in the order of the texts.

    ``workers`` are processes, by default one for each core at hand; one worker, or a batch of one
    portion only, is checked in this process. At most three portions for each worker are held at a
    time, whatever the length of the batch. Closing the iterator stops the workers.
    """
    portions = _portions(texts)
    first, second = next(portions, None), next(portions, None)
    if first is None:
        return
    count = workers or len(os.sched_getaffinity(0))
    if second is None or count == 1:
        validator = build()
        for portion in _again(first, second, portions):
            yield from _checked(validator, portion, profiles)
        return
    yield from _spread(_again(first, second, portions), build, profiles, count)


def _again(
    first: list[bytes], second: list[bytes] | None, others: Iterator[list[bytes]]
) -> Iterator[list[bytes]]:
    yield first
    if second is not None:
        yield second
    yield from others


def _portions(texts: Iterable[bytes]) -> Iterator[list[bytes]]:
    portion: list[bytes] = []
    size = 0
    for text in texts:
        portion.append(text)
        size += len(text)
        if len(portion) >= PORTION_TEXTS or size >= PORTION_BYTES:
            yield portion
            portion, size = [], 0
    if portion:
        yield portion


def _spread(
    portions: Iterator[list[bytes]], build: Build, profiles: Sequence[str], count: int
) -> Iterator[list[Finding]]:
    if get_start_method() == "fork":
        _Worker.validator = build()  # compiled once, for all processes
    pool = ProcessPoolExecutor(count, initializer=_start, initargs=(build, tuple(profiles)))
    waiting: deque[Future[list[list[Finding]]]] = deque()
    try:
        for portion in portions:
            waiting.append(pool.submit(_check, portion))
            if len(waiting) >= count * _WAITING:
                yield from waiting.popleft().result()
        while waiting:
            yield from waiting.popleft().result()
    finally:
        pool.shutdown(cancel_futures=True)
        _Worker.validator = None


class _Worker:
    """What a process keeps between portions."""

    validator: QuickValidator | None = None
    profiles: tuple[str, ...] = ()


def _start(build: Build, profiles: tuple[str, ...]) -> None:
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # the first process ends the others
    _Worker.validator, _Worker.profiles = _Worker.validator or build(), profiles


def _check(portion: list[bytes]) -> list[list[Finding]]:
    assert _Worker.validator is not None  # noqa: S101  # each process is started with one
    return _checked(_Worker.validator, portion, _Worker.profiles)


def _checked(
    validator: QuickValidator, portion: list[bytes], profiles: Sequence[str]
) -> list[list[Finding]]:
    return [located(validator.validate_text(text, profiles), text) for text in portion]


@dataclass(slots=True)
class Summary:
    """What a batch came to: how many were checked, how many have errors, and which rules broke."""

    checked: int = 0
    failed: int = 0
    broken: Counter[tuple[Severity, str]] = field(default_factory=Counter)
    """Findings by severity and key; findings without a key by their FHIR issue type."""

    def add(self, findings: Sequence[Finding]) -> None:
        """Count one resource."""
        self.checked += 1
        self.failed += has_errors(findings)
        self.broken.update((f.severity, f.key or f.code) for f in findings)

    def rows(self) -> list[tuple[Severity, str, int]]:
        """Severity, rule and how often it was broken, the most frequent first."""
        ordered = sorted(self.broken.items(), key=lambda row: (-row[1], row[0]))
        return [(severity, key, times) for (severity, key), times in ordered]
