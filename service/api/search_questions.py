"""What a search over HTTP asks: its parameters understood, for one type or for several."""

from collections.abc import Callable, Collection, Iterator, Sequence
from dataclasses import dataclass
from typing import cast

from service.api.bundle import outcome_entry
from service.api.headers import preference
from service.api.outcomes import RestError, refusal
from service.api.parts import check_elements
from service.api.queries import PAGE, Pair, only
from service.api.served import Call
from service.fhir.definitions import Definitions
from service.fhir.outcome import Finding, Severity, shown
from service.fhir.search.query import Search, parse_search
from service.fhir.search.terms import Criterion
from service.fhir.subset import WHOLE, Subset, Summary
from service.record.finding import Question

Within = Callable[[str], Criterion | None]
"""What resources of a type must meet besides what is asked."""

_SHOWN_OTHERWISE = frozenset({"_count", "_format", "_pretty", PAGE})


@dataclass(frozen=True, slots=True)
class Asking:
    """A search as understood.

    ``search`` is that of the first type: all types are asked the same. ``subset`` is for matches,
    ``of_included`` for what comes with them.
    """

    search: Search
    questions: tuple[Question, ...]
    unknown: tuple[str, ...]
    subset: Subset
    cursor: str | None

    @property
    def honoured(self) -> list[Pair]:
        """The parameters for links, but for the number on a page."""
        return [pair for pair in self.search.understood if pair[0] not in _SHOWN_OTHERWISE]

    @property
    def of_included(self) -> Subset:
        """Elements are named for the type that is searched; a summary is of everything."""
        return Subset(self.subset.summary)


def asking(
    call: Call, types: Sequence[str], pairs: Sequence[Pair], within: Within = lambda _: None
) -> Asking:
    """What ``pairs`` ask of resources of these types. Raises SearchError, and RestError 400.

    A parameter that one of several types does not have is left out for all of them: asked of the
    others alone it would find everything of that one. Unknown names are refused when handling is
    strict.
    """
    _refuse_contained(pairs)
    cursor = only(pairs, PAGE)
    asked = [pair for pair in pairs if pair[0] not in {PAGE, "_contained"}]
    unknown: dict[str, None] = {}
    for type_ in types:
        unknown |= dict.fromkeys(_parsed(call, type_, asked).unknown)
    asked = [pair for pair in asked if pair[0] not in unknown]
    searches = [_parsed(call, type_, asked) for type_ in types]
    _refuse_when_strict(call, unknown)
    first = searches[0]
    if len(types) > 1 and first.sort:
        told = "An order is served in a search of one type only."
        raise refusal(400, told, code="not-supported", expression="http._sort")
    questions = tuple(
        Question(type_, (*_also(within(type_)), *search.criteria))
        for type_, search in zip(types, searches, strict=True)
    )
    return Asking(first, questions, tuple(unknown), _subset(first, types), cursor)


def warnings_of(asked: Asking, *more: Finding) -> list[bytes]:
    """The entry that says what was left out; none where nothing was."""
    told = [*map(_unknown, asked.unknown), *more]
    return [outcome_entry(told)] if told else []


def _parsed(call: Call, type_: str, pairs: Sequence[Pair]) -> Search:
    services = call.services
    return parse_search(
        services.parameters,
        type_,
        pairs,
        now=services.clock(),
        base=call.base,
        sets=lambda canonical: _members(services.definitions, canonical),
    )


def _members(definitions: Definitions, value_set: str) -> Collection[tuple[str | None, str]] | None:
    """Every code of a value set; None where some of them are not at hand."""
    found = definitions.code_set(value_set)
    return None if found is None or found.whole_systems else found.pairs


def _also(criterion: Criterion | None) -> Iterator[Criterion]:
    if criterion is not None:
        yield criterion


def _subset(search: Search, types: Sequence[str]) -> Subset:
    summary, elements = cast(Summary, search.summary or "false"), search.elements
    if search.count == 0:
        return WHOLE
    check_elements(elements, types)
    if summary == "text" and search.includes:
        told = "A summary of text goes with no _include and no _revinclude."
        raise refusal(400, told, expression="http._summary")
    return Subset(summary, frozenset(elements))


def _refuse_contained(pairs: Sequence[Pair]) -> None:
    """Left out it would change what is found, not only how."""
    for name, text in pairs:
        if name in {"_contained", "_containedType"} and text != "false":
            told = "Contained resources are not searched by themselves."
            raise refusal(400, told, code="not-supported", expression=f"http.{name}")


def _refuse_when_strict(call: Call, unknown: dict[str, None]) -> None:
    if unknown and preference(call.request).strict:
        raise RestError(400, [_unknown(name, "error") for name in unknown])


def _unknown(name: str, severity: Severity = "warning") -> Finding:
    told = f"Parameter {shown(name)} is not known here."
    return Finding(severity, "not-supported", f"http.{name[:64]}", told)
