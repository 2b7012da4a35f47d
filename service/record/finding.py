"""A search over several types: one after the other, in pages that go on from type to type."""

import re
from collections.abc import Sequence
from dataclasses import dataclass

from service.fhir.search.terms import Criterion, SortKey
from service.record.view import View
from service.store.contract import CursorError, Page, Version

_CURSOR = re.compile(r"(\d{1,3})\.(.*)", re.ASCII)


@dataclass(frozen=True, slots=True)
class Question:
    """Resources of a type that meet every criterion."""

    type: str
    criteria: tuple[Criterion, ...] = ()


def page_of(
    view: View,
    questions: Sequence[Question],
    *,
    sort: Sequence[SortKey] = (),
    count: int,
    cursor: str | None = None,
) -> Page:
    """A page over all questions in their order; ``sort`` is within each. Raises CursorError.

    Where a page ends with the last resource of a type, its cursor leads to the next type that has
    any.
    """
    if len(questions) == 1:
        (only,) = questions
        return view.search(only.type, only.criteria, sort=sort, count=count, cursor=cursor)
    at, within = _place(cursor, questions)
    found: list[Version] = []
    while at < len(questions):
        asked = questions[at]
        left = count - len(found)
        if not left:
            probe = view.search(asked.type, asked.criteria, count=1)
            if probe.versions or probe.next:
                return Page(tuple(found), f"{at}.")
            at += 1
            continue
        page = view.search(asked.type, asked.criteria, sort=sort, count=left, cursor=within)
        found += page.versions
        if page.next is not None:
            return Page(tuple(found), f"{at}.{page.next}")
        at, within = at + 1, None
    return Page(tuple(found), None)


def total_of(view: View, questions: Sequence[Question]) -> int:
    """How many resources meet the questions."""
    return sum(view.total(one.type, one.criteria) for one in questions)


def _place(cursor: str | None, questions: Sequence[Question]) -> tuple[int, str | None]:
    if cursor is None:
        return 0, None
    match = _CURSOR.fullmatch(cursor)
    if match is None or int(match[1]) >= len(questions):
        raise CursorError
    return int(match[1]), match[2] or None
