"""One search parameter as asked, with its modifier, as conditions on a resource's rows."""

from collections.abc import Callable, Collection, Iterable, Iterator, Mapping
from dataclasses import dataclass, replace
from datetime import datetime
from itertools import product
from math import prod

from service.fhir.outcome import shown
from service.fhir.search import values
from service.fhir.search.declarations import Parameter
from service.fhir.search.escapes import split, unescape
from service.fhir.search.pairs import pair_name
from service.fhir.search.results import SearchError
from service.fhir.search.terms import (
    AnyOf,
    Condition,
    Criterion,
    Kind,
    ReferenceValue,
    TokenValue,
    Value,
)
from service.fhir.search.texts import words

MOST_MEMBERS = 150
"""Codes of a value set that are asked for at once, and ways to choose among words."""

Sets = Callable[[str], Collection[tuple[str | None, str]] | None]
"""System and code of every member of a value set; None where it cannot be told."""


@dataclass(frozen=True, slots=True)
class Context:
    """What a search is asked with: the moment, this service's own address, the value sets known."""

    now: datetime
    base: str | None
    sets: Sets | None


_PLAIN: Mapping[Kind, frozenset[str]] = {
    "token": frozenset({"", "not"}),
    "reference": frozenset({""}),
    "date": frozenset({""}),
    "string": frozenset({"", "exact", "contains"}),
    "quantity": frozenset({""}),
    "uri": frozenset({"", "below", "above"}),
    "composite": frozenset({""}),
    "text": frozenset({""}),
}
"""Modifiers that leave the kind and the name as they are."""
_WITHOUT_ROWS = frozenset({"_id", "_lastUpdated"})
_NEVER_MISSING = frozenset({"composite", "text"})
"""R4 search.html#modifiers has ``:missing`` for all but combinations."""


def conditions(
    parameter: Parameter, asked: str, modifier: str, text: str, context: Context
) -> tuple[Criterion, ...]:
    """What must all be met. ``asked`` is the name as asked, for errors. Raises SearchError."""
    try:
        found = _conditions(parameter, modifier, text, context)
    except _UnknownModifierError:
        told = f"modifier :{modifier[:40]} is not supported"
        raise SearchError(asked, told, "not-supported") from None
    except ValueError as error:
        raise SearchError(asked, f"{shown(text)} cannot be read: {error}") from None
    if not parameter.union:
        return found
    return tuple(each for one in found for each in _of_union(one, parameter))


class _UnknownModifierError(Exception):
    pass


def _conditions(
    parameter: Parameter, modifier: str, text: str, context: Context
) -> tuple[Criterion, ...]:
    if modifier == "missing" and parameter.type not in _NEVER_MISSING:
        return (_missing(parameter, text),)
    how = values.Asked(modifier, parameter.targets, context.now, context.base, parameter.declared)
    if modifier in _PLAIN[parameter.type] or _is_type(parameter, modifier):
        return _of_kind(parameter, text, how)
    name = parameter.name
    if parameter.type == "reference" and modifier == "identifier":
        return (_any(f"{name}:identifier", "token", values.token, text, how),)
    if parameter.type == "token" and name not in _WITHOUT_ROWS:
        if modifier == "of-type":
            return (_any(f"{name}:of-type", "token", values.identifier_of_type, text, how),)
        if modifier == "text":
            return (_any(f"{name}:text", "string", values.text_, text, how),)
        if modifier in {"in", "not-in"}:
            members = _members(text, context.sets)
            return (Condition(name, "token", members, negated=modifier == "not-in"),)
    raise _UnknownModifierError


def _missing(parameter: Parameter, text: str) -> Condition:
    if text not in {"true", "false"}:
        raise ValueError("expected true or false")
    return Condition(parameter.name, parameter.type, missing=text == "true")


def _is_type(parameter: Parameter, modifier: str) -> bool:
    """Whether the modifier is a type that the reference may lead to."""
    if parameter.type != "reference" or not modifier[:1].isupper() or not modifier.isalpha():
        return False
    if parameter.targets and modifier not in parameter.targets:
        raise ValueError(f"{parameter.name} never refers to {modifier[:64]}")
    return True


def _of_kind(parameter: Parameter, text: str, how: values.Asked) -> tuple[Criterion, ...]:
    if parameter.type == "text":
        return _words(parameter.name, text)
    if parameter.type == "composite":
        return (_pairs(parameter, text, how),)
    one = _any(parameter.name, parameter.type, values.READERS[parameter.type], text, how)
    if how.modifier == "not" and isinstance(one, Condition):
        return (replace(one, negated=True),)
    return (one,)


def _any(name: str, kind: Kind, read: values.Reader, text: str, how: values.Asked) -> Criterion:
    found = (read(part, how) for part in _alternatives(text))
    return _joined((kind, name + suffix, value) for suffix, value in found)


def _joined(found: Iterable[tuple[Kind, str, Value]]) -> Criterion:
    """Alternatives: of one name one condition, of several names any of them."""
    grouped: dict[tuple[Kind, str], list[Value]] = {}
    for kind, name, value in found:
        grouped.setdefault((kind, name), []).append(value)
    return _either(Condition(name, kind, tuple(some)) for (kind, name), some in grouped.items())


def _either(some: Iterable[Criterion]) -> Criterion:
    all_ = tuple(some)
    return all_[0] if len(all_) == 1 else AnyOf(all_)


def _of_union(one: Criterion, parameter: Parameter) -> Iterator[Criterion]:
    """What is asked of a union, asked of all whose rows it has: that any of them, or none, does."""
    if isinstance(one, AnyOf):
        yield AnyOf(tuple(each for some in one.criteria for each in _of_union(some, parameter)))
    elif isinstance(one, Condition):
        more = one.parameter.removeprefix(parameter.name)
        each = [replace(one, parameter=name + more) for name in parameter.union]
        if one.negated or one.missing:
            yield from each
        else:
            yield AnyOf(tuple(each))


def _alternatives(text: str) -> list[str]:
    parts = split(text, ",")
    if "" in parts:
        raise ValueError("a value is empty")
    return parts


def _pairs(parameter: Parameter, text: str, how: values.Asked) -> Criterion:
    """``code$value``, see ``pairs``."""
    of_first, of_second = parameter.components
    read_first, read_second = values.READERS[of_first.type], values.READERS[of_second.type]
    how = replace(how, declared=of_second.declared, targets=())
    found: list[tuple[Kind, str, Value]] = []
    for part in _alternatives(text):
        pieces = split(part, "$")
        if len(pieces) != 2 or not all(pieces):
            raise ValueError("expected two values with $ between them")
        _, first = read_first(pieces[0], how)
        suffix, second = read_second(pieces[1], how)
        found.append((of_second.type, _first_name(parameter.name, first) + suffix, second))
    return _joined(found)


def _first_name(name: str, first: Value) -> str:
    if isinstance(first, ReferenceValue):
        return pair_name(name, first.type, first.id)
    if not isinstance(first, TokenValue) or first.code is None:
        raise ValueError("the first value has to have a code")
    return pair_name(name, first.system, first.code)


def _words(name: str, text: str) -> tuple[Criterion, ...]:
    """All words of one alternative: that is, of every choice of a word from each, one occurs."""
    choices = [words(unescape(part)) for part in _alternatives(text)]
    if not all(choices):
        raise ValueError("expected words")
    if prod(map(len, choices)) > MOST_MEMBERS:
        raise ValueError("these are too many words and alternatives")
    return tuple(
        Condition(name, "token", tuple(TokenValue("", word) for word in dict.fromkeys(way)))
        for way in dict.fromkeys(product(*choices))
    )


def _members(text: str, sets: Sets | None) -> tuple[Value, ...]:
    """The codes of the value set with this canonical."""
    canonical = unescape(text)
    members = sets(canonical) if sets is not None else None
    if members is None:
        raise ValueError("no such value set is known here with all its codes")
    if not members:
        raise ValueError("the value set has no codes")
    if len(members) > MOST_MEMBERS:
        raise ValueError(f"the value set has more than {MOST_MEMBERS} codes")
    return tuple(TokenValue(system, code) for system, code in sorted(members, key=repr))
