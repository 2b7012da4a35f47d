"""From what is known of each child to records of which none stands alone.

Only fields that a column of the rules names go in; the rest is dropped and its names are counted.
What comes out is measured again, on the records as they will be written.
"""

from collections import Counter, defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from service.registry.columns import AnyColumn, Constant
from service.registry.errors import NotReleasable
from service.registry.lattice import Row, search
from service.registry.rules import Policy, Rules


@dataclass(frozen=True, slots=True)
class Measured:
    """What the classes of a table show: smallest size, fewest distinct bands, and all sizes."""

    k: int
    distinct_bands: int
    sizes: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class Anonymised:
    """Records that satisfy the policy, sorted by their own values, and how they were reached.

    ``levels`` names each quasi-identifier's level; ``dropped`` counts children by unlisted field.
    """

    columns: tuple[str, ...]
    records: tuple[tuple[str, ...], ...]
    levels: dict[str, int]
    suppressed: int
    measured: Measured
    dropped: Counter[str]


def anonymise(children: Iterable[Mapping[str, object]], rules: Rules) -> Anonymised:
    """Coarsens and suppresses until the policy of ``rules`` holds on the result.

    The order of ``children`` has no influence. Raises ``NotReleasable`` where the policy cannot
    hold, or where a value is outside the levels of its column.
    """
    columns = rules.quasi_identifiers
    dropped: Counter[str] = Counter()
    rows: list[Row] = []
    for child in children:
        dropped.update(child.keys() - rules.fields)
        rows.append(_row(child, rules))
    _check_constants(rows, columns)
    choice = search(rows, columns, rules.policy)
    if choice is None:
        raise _cannot_hold(rules.policy)
    records = _safe([_coarse(row, columns, choice.levels, rules) for row in rows], rules)
    measured = measure([record[:-1] for record in records], [record[-1] for record in records])
    if measured.k < rules.policy.k or measured.distinct_bands < rules.policy.distinct_bands:
        raise _cannot_hold(rules.policy)
    return Anonymised(
        columns=(*(column.name for column in columns), rules.adherence.name),
        records=records,
        levels={column.name: at for column, at in zip(columns, choice.levels, strict=True)},
        suppressed=len(rows) - len(records),
        measured=measured,
        dropped=dropped,
    )


def measure(quasi: Sequence[tuple[str, ...]], sensitive: Sequence[str]) -> Measured:
    """Groups rows alike in ``quasi``; sizes come in the order in which classes first appear."""
    classes: defaultdict[tuple[str, ...], list[str]] = defaultdict(list)
    for labels, band in zip(quasi, sensitive, strict=True):
        classes[labels].append(band)
    return Measured(
        k=min(map(len, classes.values()), default=0),
        distinct_bands=min((len(set(bands)) for bands in classes.values()), default=0),
        sizes=tuple(map(len, classes.values())),
    )


def _row(child: Mapping[str, object], rules: Rules) -> Row:
    score = child.get(rules.adherence.source_field)
    labels = tuple(
        _base(column, child.get(column.source_field)) for column in rules.quasi_identifiers
    )
    band = _base(rules.adherence, score)
    return Row(labels, None if score is None else band)


def _base(column: AnyColumn, value: object) -> str:
    try:
        return column.base(value)
    except ValueError as error:
        raise NotReleasable(
            f"A child has a value of {column.source_field} that column {column.name} does not "
            f"list ({error}); the value is not shown here."
        ) from None


def _check_constants(rows: Sequence[Row], columns: Sequence[AnyColumn]) -> None:
    for at, column in enumerate(columns):
        if isinstance(column, Constant) and len({row.labels[at] for row in rows}) > 1:
            raise NotReleasable(f"{column.name} is not the same for every child.")


def _coarse(
    row: Row, columns: Sequence[AnyColumn], levels: tuple[int, ...], rules: Rules
) -> tuple[str, ...]:
    labels = zip(columns, row.labels, levels, strict=True)
    band = row.band if row.band is not None else rules.adherence.base(None)
    return (*(column.lift(label, level) for column, label, level in labels), band)


def _safe(records: Sequence[tuple[str, ...]], rules: Rules) -> tuple[tuple[str, ...], ...]:
    """The records whose class is large enough and varied enough, sorted by their own values.

    A missing score is not a band: it never helps a class to its number of distinct bands.
    """
    bands: defaultdict[tuple[str, ...], Counter[str]] = defaultdict(Counter)
    for record in records:
        bands[record[:-1]][record[-1]] += 1
    kept = (record for record in records if _is_safe(bands[record[:-1]], rules))
    return tuple(sorted(kept))


def _is_safe(bands: Counter[str], rules: Rules) -> bool:
    scored = len(bands.keys() - {rules.adherence.missing})
    return bands.total() >= rules.policy.k and scored >= rules.policy.distinct_bands


def _cannot_hold(policy: Policy) -> NotReleasable:
    return NotReleasable(
        f"There are fewer than {policy.k} children with consent, or their sessions fall into fewer "
        f"than {policy.distinct_bands} adherence bands: no level of detail keeps a child from "
        "standing out, so nothing was written."
    )
