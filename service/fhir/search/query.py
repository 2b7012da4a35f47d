"""What a search asks, from the parameters of a request to criteria that any store can answer.

Names and values come percent-decoded. A value is split at unescaped separators first and unescaped
once after that (R4 search.html#escaping). Values without an offset are read in UTC.
"""

from collections.abc import Iterable
from datetime import datetime

from service.fhir.search.conditions import Context, Sets, conditions
from service.fhir.search.parameters import SearchParameters
from service.fhir.search.results import Include, Result, Search, SearchError, shape
from service.fhir.search.terms import AnyOf, Criterion, Having, Linked

__all__ = ["Include", "Search", "SearchError", "Sets", "parse_search"]

_IGNORED = frozenset({"_format", "_pretty"})
_REFUSED = frozenset({"_filter", "_query"})
"""What R4 defines and is not served: left out it would change what is found."""
MOST_LINKS = 3
"""References that a chain or ``_has`` may follow (R4 sets no bound; a server may)."""


def parse_search(
    parameters: SearchParameters,
    type_: str,
    pairs: Iterable[tuple[str, str]],
    *,
    now: datetime,
    base: str | None = None,
    sets: Sets | None = None,
) -> Search:
    """The search asked by decoded name and value pairs of a request. Raises SearchError.

    ``base`` is this service's own address: absolute references below it count as local. ``now``
    is the moment of asking, for ``ap``; ``sets`` gives the members of value sets.
    """
    search, reading = Search(), _Reading(parameters, Context(now, base, sets))
    for name, text in pairs:
        bare, _, modifier = name.partition(":")
        if bare in _REFUSED:
            raise SearchError(name, "this is not served here", "not-supported")
        shapes = shape(search, bare, modifier, Result(parameters, type_, text, modifier))
        if not shapes and name not in _IGNORED:
            criteria = reading.criteria(type_, name, text, MOST_LINKS)
            if criteria is None:
                search.unknown.append(name)
                continue
            search.criteria += criteria
        search.understood.append((name, text))
    return search


class _Reading:
    """Reads what parameters ask of resources, following chains."""

    def __init__(self, parameters: SearchParameters, context: Context) -> None:
        self._parameters, self._context = parameters, context

    def criteria(
        self, type_: str, name: str, text: str, links: int
    ) -> tuple[Criterion, ...] | None:
        """What one parameter asks of a resource of the type; None where it is not known.

        ``links`` is how many more references may be followed.
        """
        if name.startswith("_has:"):
            return self._having(type_, name, text, links)
        head, dot, rest = name.partition(".")
        bare, _, modifier = head.partition(":")
        parameter = self._parameters.of_type(type_).get(bare)
        if parameter is None:
            return None
        if not dot:
            return conditions(parameter, name, modifier, text, self._context)
        if parameter.type != "reference":
            raise SearchError(name, f"{bare} is no reference, a chain cannot go on from it")
        _check_links(name, links)
        allowed = parameter.targets or tuple(self._parameters.types)
        if modifier and modifier not in allowed:
            raise SearchError(name, f"{bare} never refers to {modifier[:64]}")
        return self._chained(bare, [modifier] if modifier else allowed, (name, rest), text, links)

    def _chained(
        self,
        link: str,
        targets: Iterable[str],
        names: tuple[str, str],
        text: str,
        links: int,
    ) -> tuple[Criterion, ...] | None:
        """Over every type that has the rest of the chain and can read the value."""
        asked, rest = names
        found, errors = [], []
        for target in targets:
            try:
                further = self.criteria(target, rest, text, links - 1)
            except SearchError as error:
                errors.append(error)
                continue
            if further is not None:
                found.append(Linked(link, target, further))
        if errors and not found:
            raise SearchError(asked, errors[0].message, errors[0].code)
        if not found:
            return None
        return (found[0] if len(found) == 1 else AnyOf(tuple(found)),)

    def _having(self, type_: str, name: str, text: str, links: int) -> tuple[Criterion, ...] | None:
        """``_has:Observation:patient:code``."""
        _check_links(name, links)
        _, _, rest = name.partition(":")
        other, _, rest = rest.partition(":")
        link, _, rest = rest.partition(":")
        parameter = self._parameters.of_type(other).get(link)
        if parameter is None or parameter.type != "reference" or not rest:
            raise SearchError(name, "expected _has:Type:reference:parameter")
        if parameter.targets and type_ not in parameter.targets:
            raise SearchError(name, f"{link} of {other} never refers to {type_}")
        try:
            further = self.criteria(other, rest, text, links - 1)
        except SearchError as error:
            raise SearchError(name, error.message, error.code) from None
        return None if further is None else (Having(other, link, further),)


def _check_links(name: str, links: int) -> None:
    if links == 0:
        raise SearchError(name, f"at most {MOST_LINKS} references are followed", "too-costly")
