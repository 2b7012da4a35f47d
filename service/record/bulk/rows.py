"""The rows of a load: one resource a line, counted from 1; a blank line is none."""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass

from service.fhir.json import MAX_BYTES, JsonError, JsonObject, read
from service.fhir.outcome import Finding, operation_outcome
from service.mapping.feed_lines import LineTooLong, lines_of

BATCH_ROWS, BATCH_BYTES = 250, 1024 * 1024
"""Most rows, and about how many bytes, that are committed together."""


@dataclass(frozen=True, slots=True)
class SentRow:
    """A row as it came; no text where it was longer than can be read."""

    number: int
    text: bytes | None


@dataclass(frozen=True, slots=True)
class RefusedRow:
    """A row that was not kept, and every reason."""

    row: SentRow
    findings: tuple[Finding, ...]

    def to_json(self) -> JsonObject:
        """``row``, ``outcome`` (an OperationOutcome), and ``resource`` as it was sent, or its
        ``text`` where that is no JSON."""
        told: JsonObject = {"row": self.row.number, "outcome": operation_outcome(self.findings)}
        if self.row.text is None:
            return told
        try:
            return told | {"resource": read(self.row.text)}
        except JsonError:
            return told | {"text": self.row.text.decode("utf-8", "replace")}


def rows_of(chunks: Iterable[bytes], max_bytes: int = MAX_BYTES) -> Iterator[SentRow]:
    """The rows of a stream of bytes, however it was cut. ``max_bytes``: the longest row read."""
    for number, line in enumerate(lines_of(chunks, max_bytes), start=1):
        if isinstance(line, LineTooLong):
            yield SentRow(number, None)
        elif line.strip():
            yield SentRow(number, line)


def batches(rows: Iterable[SentRow]) -> Iterator[list[SentRow]]:
    """Rows that are committed together."""
    batch: list[SentRow] = []
    size = 0
    for row in rows:
        batch.append(row)
        size += len(row.text or b"")
        if len(batch) >= BATCH_ROWS or size >= BATCH_BYTES:
            yield batch
            batch, size = [], 0
    if batch:
        yield batch
