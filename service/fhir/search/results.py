"""What shapes the answer of a search: order, length, what comes along, how much is shown."""

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

from service.fhir.outcome import shown
from service.fhir.search.parameters import SearchParameters
from service.fhir.search.terms import Criterion, SortKey

_MOST_SORT_KEYS = 8
_MOST_INCLUDES = 20
_UNSORTED = frozenset({"composite", "text"})
"""Nor do those have an order that only have rows together with others."""


class SearchError(ValueError):
    """A search that cannot be answered: malformed value, unknown modifier or sort key.

    ``parameter`` is the name as asked, ``code`` the FHIR issue type. Always a 400.
    """

    def __init__(self, parameter: str, message: str, code: str = "invalid") -> None:
        super().__init__(f"{parameter}: {message}")
        self.parameter, self.message, self.code = parameter, message, code


@dataclass(frozen=True, slots=True)
class Include:
    """``_include``, or ``_revinclude`` where ``reverse``: resources of type ``source`` and what
    they refer to by ``parameter`` (``*``: any), if it is of type ``target`` (None: whatever it is).

    ``iterate``: also from what was included.
    """

    source: str
    parameter: str
    target: str | None = None
    iterate: bool = False
    reverse: bool = False


@dataclass(slots=True)
class Search:
    """A search as understood. ``count`` 0 asks for the total only.

    ``total``, ``summary`` and ``elements`` are what ``_total``, ``_summary`` and ``_elements`` say.

    ``understood`` holds the pairs that were used, for the self link; ``unknown`` the names that
    were not and are left out with a warning (or refused, when handling is strict).
    """

    criteria: list[Criterion] = field(default_factory=list)
    sort: list[SortKey] = field(default_factory=list)
    count: int | None = None
    total: str | None = None
    summary: str | None = None
    elements: list[str] = field(default_factory=list)
    includes: list[Include] = field(default_factory=list)
    understood: list[tuple[str, str]] = field(default_factory=list)
    unknown: list[str] = field(default_factory=list)


@dataclass(frozen=True, slots=True)
class Result:
    """One parameter that shapes the answer, as asked."""

    parameters: SearchParameters
    type: str
    text: str
    modifier: str


def shape(search: Search, name: str, modifier: str, asked: Result) -> bool:
    """Let the parameter shape the answer; False where it does no such thing. Raises SearchError."""
    apply = _SHAPES.get(name)
    if apply is None:
        return False
    if modifier not in _MODIFIERS.get(name, ("",)):
        told = f"modifier :{modifier[:40]} is not supported"
        raise SearchError(f"{name}:{modifier}", told, "not-supported")
    apply(search, asked)
    return True


def _count(search: Search, asked: Result) -> None:
    if not re.fullmatch(r"\d{1,9}", asked.text, re.ASCII):
        raise SearchError("_count", f"found {shown(asked.text)}, expected a whole number from 0")
    search.count = int(asked.text)


def _sort(search: Search, asked: Result) -> None:
    known = asked.parameters.of_type(asked.type)
    for part in asked.text.split(","):
        name = part.removeprefix("-")
        if name not in known or known[name].type in _UNSORTED or known[name].union:
            told = f"found {shown(name)}, expected a search parameter with an order"
            raise SearchError("_sort", told)
        search.sort.append(SortKey(name, known[name].type, part.startswith("-")))
    if len(search.sort) > _MOST_SORT_KEYS:
        raise SearchError("_sort", f"at most {_MOST_SORT_KEYS} are served", "too-costly")


def _summary(search: Search, asked: Result) -> None:
    if asked.text not in {"true", "text", "data", "count", "false"}:
        expected = "true, text, data, count or false"
        raise SearchError("_summary", f"found {shown(asked.text)}, expected {expected}")
    search.summary = asked.text
    if asked.text == "count":
        search.count = 0


def _total(search: Search, asked: Result) -> None:
    if asked.text not in {"none", "estimate", "accurate"}:
        expected = "none, estimate or accurate"
        raise SearchError("_total", f"found {shown(asked.text)}, expected {expected}")
    search.total = asked.text


def _elements(search: Search, asked: Result) -> None:
    names = asked.text.split(",")
    if not all(re.fullmatch(r"[A-Za-z]{1,64}", name, re.ASCII) for name in names):
        raise SearchError("_elements", f"found {shown(asked.text)}, expected names of elements")
    search.elements += names


def _include(search: Search, asked: Result) -> None:
    _add(search, "_include", asked, reverse=False)


def _revinclude(search: Search, asked: Result) -> None:
    _add(search, "_revinclude", asked, reverse=True)


def _add(search: Search, name: str, asked: Result, *, reverse: bool) -> None:
    source, _, rest = asked.text.partition(":")
    link, _, target = rest.partition(":")
    if asked.text == "*" and not reverse:
        source = link = "*"
    elif not _is_link(asked.parameters, source, link, target):
        expected = "Type:reference, Type:reference:Type or Type:*"
        raise SearchError(name, f"found {shown(asked.text)}, expected {expected}")
    iterate = asked.modifier == "iterate"
    search.includes.append(Include(source, link, target or None, iterate, reverse))
    if len(search.includes) > _MOST_INCLUDES:
        raise SearchError(name, f"at most {_MOST_INCLUDES} are served", "too-costly")


def _is_link(parameters: SearchParameters, source: str, link: str, target: str) -> bool:
    known = parameters.of_type(source).get(link)
    if source not in parameters.types or (target and target not in parameters.types):
        return False
    return link == "*" or (known is not None and known.type == "reference")


_SHAPES: Mapping[str, Callable[[Search, Result], None]] = {
    "_count": _count,
    "_elements": _elements,
    "_include": _include,
    "_revinclude": _revinclude,
    "_sort": _sort,
    "_summary": _summary,
    "_total": _total,
}
_MODIFIERS = {"_include": ("", "iterate"), "_revinclude": ("", "iterate")}
