"""What comes with the resources that were found: ``_include`` and ``_revinclude``.

R4 search.html#include. The index is asked what a page of resources refers to, and by whom it is
referred to: a question for each include and one for what it led to, however many resources. A
reference to one version brings the current one; what is not here, or may not be seen, is left out.
"""

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass

from service.fhir.search.query import Include
from service.record.view import View
from service.store.contract import Key, Version

MOST_INCLUDED = 1000
"""Resources that come with one page."""
MOST_STEPS = 4
"""How far ``:iterate`` goes from a match."""

Links = Callable[[str], Sequence[str]]
"""The names of the reference parameters of a type."""


@dataclass(frozen=True, slots=True)
class Included:
    """What comes along, each once; ``cut``: there would have been more."""

    versions: tuple[Version, ...] = ()
    cut: bool = False


def included(
    view: View,
    matches: Sequence[Version],
    includes: Sequence[Include],
    links: Links,
    *,
    most: int = MOST_INCLUDED,
    wanted: Callable[[Version], bool] = lambda _: True,
) -> Included:
    """What ``includes`` add to ``matches``; of that, ``wanted`` says what may come along."""
    seen = dict.fromkeys(_keys(matches))
    front, found, cut = list(seen), list[Version](), False
    for step in range(MOST_STEPS + 1):
        asked = [one for one in includes if step == 0 or one.iterate]
        room = most - len(found)
        new = [key for key in _next(view, front, asked, links, room + 1) if key not in seen]
        if not new:
            break
        if step == MOST_STEPS or not room:
            cut = True
            break
        cut = len(new) > room
        seen |= dict.fromkeys(new)
        known = view.current(new[:room])
        come = [known[key] for key in new[:room] if key in known]
        come = [version for version in come if wanted(version)]
        found += come
        front = list(_keys(come))
        if cut:
            break
    return Included(tuple(found), cut)


def _next(
    view: View, front: Sequence[Key], includes: Sequence[Include], links: Links, count: int
) -> list[Key]:
    """What the includes lead to from here, each once, in their order."""
    led: dict[Key, None] = {}
    types = list(dict.fromkeys(type_ for type_, _ in front))
    for include in includes:
        for source, parameter in _spelled_out(include, types, links):
            if include.reverse:
                keys = [key for key in front if include.target in (None, key[0])]
                led |= dict.fromkeys(view.referrers(keys, source, parameter, count))
            else:
                keys = [key for key in front if key[0] == source]
                targets = view.references(keys, parameter, include.target)
                led |= dict.fromkeys(one for key in keys for one in targets.get(key, ()))
    return list(led)


def _spelled_out(include: Include, types: Sequence[str], links: Links) -> Iterator[tuple[str, str]]:
    """Type and parameter of each question; a star stands for all that there are."""
    sources = [include.source]
    if not include.reverse:
        sources = [one for one in types if include.source in ("*", one)]
    for source in sources:
        names = links(source) if include.parameter == "*" else (include.parameter,)
        for name in names:
            yield source, name


def _keys(versions: Iterable[Version]) -> Iterator[Key]:
    return ((version.type, version.id) for version in versions)
