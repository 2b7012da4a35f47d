"""Full-domain generalisation: the levels that lose least while every class stays safe.

A node of the lattice gives each column one level for all records. At a node the records fall into
classes of records alike; members of a class that is too small, or holds too few adherence bands,
are suppressed. The loss of a node is the information lost: for a released record the Shannon
entropy by which its level falls short of level 0, column by column, each weighted; for a suppressed
record the entropy of all its columns. (Entropy as the loss of recoding: de Waal and Willenborg
1999, from memory.) Entropy, not the number of levels, because a level is cheap where most children
are alike anyway and dear where it merges many different ones. Of the nodes that suppress no more
than the policy allows the one with the least loss wins; then the one that suppresses less; then the
one with lower levels in earlier columns.

The search is exact. It fixes the columns' levels one by one and gives up a branch when the columns
fixed so far, alone, already suppress too much or lose more than the best node known: further
columns can only split classes, and a class that is safe stays safe when it is merged.
"""

from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from fractions import Fraction
from math import fsum, log2

from service.registry.columns import Column
from service.registry.rules import Policy


@dataclass(frozen=True, slots=True)
class Choice:
    """The winning node: a level per column, and what it costs.

    ``loss`` is the share of the weighted information lost, from 0 (nothing) to 1 (everything).
    """

    levels: tuple[int, ...]
    suppressed: int
    loss: Fraction


@dataclass(frozen=True, slots=True)
class Row:
    """One child: labels of the quasi-identifiers at level 0, and the adherence band if scored."""

    labels: tuple[str, ...]
    band: str | None


def search(rows: Sequence[Row], columns: Sequence[Column], policy: Policy) -> Choice | None:
    """The best node for ``rows``; None if even saying nothing in any column is not safe.

    The order of ``rows`` has no influence. ``columns`` are the quasi-identifiers of the labels.
    """
    return _Search(rows, columns, policy).run() if rows else None


@dataclass(frozen=True, slots=True)
class _Step:
    """``moves[digit]`` is added to a key to coarsen a column from level 0 to ``level``.

    ``loss`` is weighted, in thousandths of a bit a record: whole numbers, so that no rounding
    decides between nodes.
    """

    level: int
    moves: tuple[int, ...]
    loss: int


@dataclass(frozen=True, slots=True)
class _Axis:
    """One column in the search: its part of a class key, and the moves between levels.

    A class is keyed by one whole number with a digit per column; ``steps`` are the levels, finest
    first, without those that merge nothing that the children here have.
    """

    radix: int
    base: int
    steps: tuple[_Step, ...]


class _Tallies:
    """Tallies of classes, packed: one whole number, with a field per adherence band.

    Field 0 counts children without a score, which is no band. Merging classes is adding numbers.
    """

    def __init__(self, rows: Sequence[Row], policy: Policy) -> None:
        self._width = len(rows).bit_length()
        self._policy = policy
        bands = sorted({row.band for row in rows if row.band is not None})
        self._shift = {band: self._width * (at + 1) for at, band in enumerate(bands)}
        self._suppressed: dict[int, int] = {}

    def one(self, band: str | None) -> int:
        return 1 << (0 if band is None else self._shift[band])

    def suppressed(self, tallies: Iterator[int]) -> int:
        """How many children are in classes that break the policy."""
        known = self._suppressed
        total = 0
        for tally in tallies:
            if tally not in known:
                known[tally] = self._suppressed_of(tally)
            total += known[tally]
        return total

    def _suppressed_of(self, tally: int) -> int:
        mask = (1 << self._width) - 1
        scored = [tally >> shift & mask for shift in self._shift.values()]
        size = (tally & mask) + sum(scored)
        bands = sum(1 for count in scored if count)
        safe = size >= self._policy.k and bands >= self._policy.distinct_bands
        return 0 if safe else size


class _Search:
    def __init__(self, rows: Sequence[Row], columns: Sequence[Column], policy: Policy) -> None:
        self._count = len(rows)
        self._most_suppressed = self._count * policy.suppressed_at_most // 100
        self._tallies = _Tallies(rows, policy)
        self._axes: list[_Axis] = []
        keys = [0] * self._count
        radix = 1
        for at, column in enumerate(columns):
            labels = [row.labels[at] for row in rows]
            domain = sorted(set(labels))
            digit = {label: number * radix for number, label in enumerate(domain)}
            keys = [key + digit[label] for key, label in zip(keys, labels, strict=True)]
            self._axes.append(_axis(column, labels, domain, radix))
            radix *= len(domain)
        self._table = _summed(
            (key, self._tallies.one(row.band)) for key, row in zip(keys, rows, strict=True)
        )
        self._whole = sum(axis.steps[-1].loss for axis in self._axes)
        self._best: tuple[int, int, tuple[int, ...]] | None = None

    def run(self) -> Choice | None:
        self._descend((), self._table, 0)
        if self._best is None:
            return None
        loss, suppressed, levels = self._best
        return Choice(levels, suppressed, Fraction(loss, (self._whole or 1) * self._count))

    def _descend(self, levels: tuple[int, ...], table: dict[int, int], loss: int) -> None:
        """Tries each level of the next column; ``table`` has the columns before at ``levels``."""
        axis = self._axes[len(levels)]
        is_last = len(levels) + 1 == len(self._axes)
        for step in axis.steps:
            coarser = _coarsened(table, axis, step)
            fixed = coarser if is_last else _fixed(coarser, axis.radix * axis.base)
            suppressed = self._tallies.suppressed(iter(fixed.values()))
            here = (self._loss(loss + step.loss, suppressed), suppressed, (*levels, step.level))
            if suppressed > self._most_suppressed or (self._best and here[0] > self._best[0]):
                continue
            if not is_last:
                self._descend(here[2], coarser, loss + step.loss)
            elif self._best is None or here < self._best:
                self._best = here

    def _loss(self, released: int, suppressed: int) -> int:
        return released * (self._count - suppressed) + self._whole * suppressed


def bits(labels: Sequence[str]) -> float:
    """Shannon entropy of the labels in bits a record."""
    count = len(labels)
    return fsum(n / count * log2(count / n) for n in Counter(labels).values())


def _axis(column: Column, labels: Sequence[str], domain: Sequence[str], radix: int) -> _Axis:
    steps: list[_Step] = []
    all_bits = bits(labels)
    for level in range(column.height + 1):
        lifted = {label: column.lift(label, level) for label in domain}
        first_with: dict[str, int] = {}
        shifts = [first_with.setdefault(lifted[label], at) - at for at, label in enumerate(domain)]
        moves = tuple(shift * radix for shift in shifts)
        if not steps or moves != steps[-1].moves:
            lost = all_bits - bits([lifted[label] for label in labels])
            steps.append(_Step(level, moves, column.weight * round(1000 * lost)))
    return _Axis(radix, len(domain), tuple(steps))


def _coarsened(table: dict[int, int], axis: _Axis, step: _Step) -> dict[int, int]:
    if step.level == 0:
        return table
    radix, base, moves = axis.radix, axis.base, step.moves
    return _summed((key + moves[key // radix % base], tally) for key, tally in table.items())


def _fixed(table: dict[int, int], modulus: int) -> dict[int, int]:
    """Classes by the columns fixed so far: the digits below ``modulus``."""
    return _summed((key % modulus, tally) for key, tally in table.items())


def _summed(tallies: Iterable[tuple[int, int]]) -> dict[int, int]:
    table: dict[int, int] = {}
    for key, tally in tallies:
        table[key] = table.get(key, 0) + tally
    return table
