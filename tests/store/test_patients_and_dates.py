"""Searches by patient and date, on every engine, beside a plain reading of R4 search.html.

The store finds these by lines of dates that know their patients. No resource may be found, or
missed, for having several patients, none, other ones by ``subject`` than by ``patient``, or several
dates: each condition is met by whichever value meets it.
"""

from collections.abc import Callable, Iterator, Sequence
from itertools import count
from pathlib import Path
from typing import get_args

import pytest
from engines import ENGINES
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from store_samples import version

from service.fhir.search.terms import (
    BEGINNING,
    END,
    Condition,
    Criterion,
    DateRow,
    DateValue,
    Having,
    IndexRow,
    Linked,
    Prefix,
    ReferenceRow,
    ReferenceValue,
    TokenRow,
)
from service.store.contract import Entry, Store

IDS = ("x", "x", "x", "y", "y", "z" * 700)
PARAMETERS = ("patient", "patient", "subject", "performer")
"""What comes most often tells most: where two patients and few times meet."""

COUNT = 8
ends = st.integers(0, 3)
spans = st.tuples(ends, st.integers(1, 2)).map(lambda one: (one[0], one[0] + one[1]))
periods = spans | ends.map(lambda low: (low, END)) | ends.map(lambda high: (BEGINNING, high))
date_rows = st.builds(
    lambda parameter, span: DateRow(parameter, *span),
    st.sampled_from(["date", "date", "issued"]),
    periods,
)
reference_rows = st.builds(
    ReferenceRow,
    st.sampled_from(PARAMETERS),
    st.sampled_from(["Patient", "Patient", "Patient", "Group"]),
    st.sampled_from(IDS),
)
token_rows = st.just(TokenRow("status", "", "final"))
resources = st.lists(
    st.tuples(
        st.lists(reference_rows, max_size=4),
        st.lists(date_rows, max_size=4),
        st.lists(token_rows, max_size=1),
    ).map(lambda rows: [*rows[0], *rows[1], *rows[2]]),
    min_size=COUNT,
    max_size=COUNT,
)

reference_values = st.builds(
    ReferenceValue, st.sampled_from(["Patient", "Patient", None]), st.sampled_from(IDS)
)
date_values = st.builds(
    lambda prefix, span: DateValue(prefix, *span), st.sampled_from(get_args(Prefix)), spans
)


def several(values: st.SearchStrategy[object]) -> st.SearchStrategy[tuple[object, ...]]:
    return st.tuples(values) | st.tuples(values) | st.tuples(values, values)


about = st.builds(
    lambda name, values, negated: Condition(name, "reference", values, negated),
    st.sampled_from(PARAMETERS),
    several(reference_values),
    st.sampled_from([False] * 5 + [True]),
)
dated = st.builds(
    lambda name, values, negated: Condition(name, "date", values, negated),
    st.sampled_from(["date", "date", "date", "issued"]),
    several(date_values),
    st.sampled_from([False] * 5 + [True]),
)
missing = st.builds(
    lambda kind, told: Condition("date" if kind == "date" else "patient", kind, (), False, told),
    st.sampled_from(["date", "reference"]),
    st.booleans(),
)
final = st.just(Condition.has_token("status", "", "final"))


@st.composite
def questions(draw: st.DrawFn) -> list[Criterion]:
    asked = [draw(about), *draw(st.lists(dated, min_size=1, max_size=3))]
    more = draw(st.lists(about | missing | final, max_size=1))
    return draw(st.permutations([*asked, *more]))


def meets(rows: Sequence[IndexRow], one: Criterion) -> bool:
    """A condition as R4 says it: of all values of the parameter, some one meets some one asked."""
    assert isinstance(one, Condition)
    own = [row for row in rows if row.parameter == one.parameter]
    if one.missing is not None:
        return one.missing != bool(own)
    return one.negated != any(_value_meets(row, value) for row in own for value in one.values)


def _value_meets(row: IndexRow, value: object) -> bool:
    match row, value:
        case ReferenceRow(), ReferenceValue():
            return row.id == value.id and value.type in (None, row.type)
        case DateRow(), DateValue():
            return _COMPARED[value.prefix](row, value)
    return isinstance(row, TokenRow)


def _contained(row: DateRow, asked: DateValue) -> bool:
    return asked.low <= row.low and row.high <= asked.high and row.low < asked.high


def _above(row: DateRow, asked: DateValue) -> bool:
    return row.high > asked.high


def _below(row: DateRow, asked: DateValue) -> bool:
    return row.low < asked.low


_COMPARED: dict[Prefix, Callable[[DateRow, DateValue], bool]] = {
    "eq": _contained,
    "ne": lambda row, asked: not _contained(row, asked),
    "gt": _above,
    "lt": _below,
    "ge": lambda row, asked: _above(row, asked) or _contained(row, asked),
    "le": lambda row, asked: _below(row, asked) or _contained(row, asked),
    "sa": lambda row, asked: row.low >= asked.high,
    "eb": lambda row, asked: row.high <= asked.low,
    "ap": lambda row, asked: row.low < asked.high and asked.low < row.high,
}
"""R4 search.html#prefix, over spans without their upper ends."""


@pytest.fixture(scope="module", params=ENGINES)
def kept(
    request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory
) -> Iterator[tuple[Store, Iterator[int]]]:
    """A store, and the numbers of the versions that its resources get, all at once."""
    folder: Path = tmp_path_factory.mktemp("dates")
    store = ENGINES[request.param](folder)
    yield store, count(1)
    store.close()


@settings(deadline=None, max_examples=100, suppress_health_check=[HealthCheck.too_slow])
@given(stored=resources, asked=st.lists(questions(), min_size=8, max_size=8))
def test_found_is_what_meets_every_condition(
    kept: tuple[Store, Iterator[int]], stored: list[list[IndexRow]], asked: list[list[Criterion]]
) -> None:
    store, numbers = kept
    number = next(numbers)
    with store.begin() as work:
        work.write([Entry(version(f"o{n}", number), rows) for n, rows in enumerate(stored)])
    with store.read() as reader:
        for criteria in asked:
            expected = [
                f"o{n}"
                for n, rows in enumerate(stored)
                if all(meets(rows, condition) for condition in criteria)
            ]
            page = reader.search("Observation", criteria)
            assert [one.id for one in page.versions] == expected
            assert reader.total("Observation", criteria) == len(expected)


def test_each_condition_may_be_met_by_another_date(kept: tuple[Store, Iterator[int]]) -> None:
    patient, first, last = ReferenceRow("patient", "Patient", "x"), (0, 1), (5, 6)
    rows: list[list[IndexRow]] = [
        [patient, DateRow("date", *first), DateRow("date", *last)],
        [patient, DateRow("date", *first), DateRow("issued", *last)],
        [DateRow("date", *first), DateRow("date", *last)],
    ]
    with kept[0].begin() as work:
        entries = [Entry(version(f"s{n}", type_="Task"), some) for n, some in enumerate(rows)]
        work.write(entries)
    both = [Condition("date", "date", (DateValue("eq", *span),)) for span in (first, last)]
    with kept[0].read() as reader:
        dated = reader.search("Task", both)
        of_patient = reader.search("Task", [Condition.refers_to("patient", "Patient", "x"), *both])
    assert [one.id for one in dated.versions] == ["s0", "s2"]
    assert [one.id for one in of_patient.versions] == ["s0"]


def test_patients_and_dates_are_asked_for_at_either_end_of_a_chain(
    kept: tuple[Store, Iterator[int]],
) -> None:
    def dated(day: int) -> list[IndexRow]:
        return [ReferenceRow("patient", "Patient", "x"), DateRow("date", day, day + 1)]

    def asked(day: int) -> tuple[Criterion, ...]:
        on = DateValue("eq", day, day + 1)
        return (Condition.refers_to("patient", "Patient", "x"), Condition("date", "date", (on,)))

    rows = {
        ("CarePlan", "early"): dated(0),
        ("CarePlan", "late"): dated(5),
        ("Goal", "of-early"): [*dated(1), ReferenceRow("plan", "CarePlan", "early")],
        ("Goal", "of-late"): [*dated(1), ReferenceRow("plan", "CarePlan", "late")],
        ("Goal", "later"): [*dated(2), ReferenceRow("plan", "CarePlan", "late")],
    }
    with kept[0].begin() as work:
        entries = (Entry(version(id_, type_=type_), some) for (type_, id_), some in rows.items())
        work.write(list(entries))
    with kept[0].read() as reader:
        chained = reader.search("Goal", [*asked(1), Linked("plan", "CarePlan", asked(5))])
        reverse = reader.search("CarePlan", [*asked(5), Having("Goal", "plan", asked(2))])
        neither = reader.total("CarePlan", [*asked(0), Having("Goal", "plan", asked(2))])
    assert [one.id for one in chained.versions] == ["of-late"]
    assert [one.id for one in reverse.versions] == ["late"]
    assert neither == 0


@pytest.mark.parametrize("id_", ["", "/x", "x/"])
def test_what_is_no_id_is_asked_of_references_as_they_stand(
    kept: tuple[Store, Iterator[int]], id_: str
) -> None:
    store, _ = kept
    rows = {
        "nobody": [DateRow("date", 0, 1)],
        "by-subject": [DateRow("date", 0, 1), ReferenceRow("subject", "Patient", "x")],
        "odd": [DateRow("date", 0, 1), ReferenceRow("patient", "Patient", id_)],
    }
    with store.begin() as work:
        work.write(
            [Entry(version(f"{name}{id_}", type_="Task"), some) for name, some in rows.items()]
        )
    criteria = [
        Condition.refers_to("patient", "Patient", id_),
        Condition("date", "date", (DateValue("eq", 0, 1),)),
    ]
    with store.read() as reader:
        assert [one.id for one in reader.search("Task", criteria).versions] == [f"odd{id_}"]
