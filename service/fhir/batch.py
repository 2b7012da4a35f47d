"""Many resources checked on all cores, in order and in a memory that does not grow with them."""

from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from functools import partial

from service.cores import spread
from service.fhir.fast import QuickValidator
from service.fhir.outcome import Finding, Severity, has_errors
from service.fhir.positions import located

Build = Callable[[], QuickValidator]
"""Gives each process its validator; a function of a module, so that processes can be handed it."""

PORTION_TEXTS, PORTION_BYTES = 512, 1024 * 1024
"""Most resources, and about how many bytes, that a process is handed at a time."""


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
    checker = partial(_checker, build, tuple(profiles))
    for findings in spread(_portions(texts), checker, workers=workers):
        yield from findings


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


def _checker(build: Build, profiles: Sequence[str]) -> Callable[[list[bytes]], list[list[Finding]]]:
    validator = build()

    def check(portion: list[bytes]) -> list[list[Finding]]:
        return [located(validator.validate_text(text, profiles), text) for text in portion]

    return check


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
