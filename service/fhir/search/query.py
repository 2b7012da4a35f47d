"""What a search asks, from the parameters of a request to criteria that any store can answer.

Names and values come percent-decoded. A value is split at unescaped separators first and unescaped
once after that (R4 search.html#escaping). Values without an offset are read in UTC.
"""

import re
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from decimal import Decimal
from typing import cast

from service.fhir.outcome import shown
from service.fhir.search.parameters import PARAMETERS, Parameter, parameters_of
from service.fhir.search.rows import folded, local_reference
from service.fhir.search.terms import (
    AnyOf,
    Condition,
    Criterion,
    DateValue,
    Having,
    Kind,
    Linked,
    Prefix,
    QuantityValue,
    ReferenceValue,
    SortKey,
    StringValue,
    TokenValue,
    UriValue,
    Value,
)
from service.fhir.spans import span_of

_PREFIXED = re.compile(r"(eq|ne|gt|lt|ge|le|sa|eb|ap)?(.+)", re.ASCII | re.DOTALL)
_NUMBER = re.compile(r"[+-]?\d{1,40}(\.\d{1,40})?([eE][+-]?\d{1,3})?", re.ASCII)
_TYPE_NAME = re.compile(r"[A-Z][A-Za-z]{1,63}", re.ASCII)
_ESCAPED = ",|$\\"
_IGNORED = frozenset({"_format", "_pretty"})
MOST_LINKS = 3
"""References that a chain or ``_has`` may follow."""


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


def parse_search(
    resource_type: str, pairs: Iterable[tuple[str, str]], *, base: str | None = None
) -> Search:
    """The search asked by decoded name and value pairs of a request. Raises SearchError.

    ``base`` is this service's own address: absolute references below it count as local.
    """
    search = Search()
    known = parameters_of(resource_type)
    for name, text in pairs:
        bare, _, modifier = name.partition(":")
        if bare in _RESULT and modifier in _RESULT_MODIFIERS.get(bare, ("",)):
            _RESULT[bare](search, known, text, modifier)
        elif name in _IGNORED:
            pass
        elif (criterion := _criterion(resource_type, name, text, base, MOST_LINKS)) is not None:
            search.criteria.append(criterion)
        else:
            search.unknown.append(name)
            continue
        search.understood.append((name, text))
    return search


def _criterion(type_: str, name: str, text: str, base: str | None, links: int) -> Criterion | None:
    """What one parameter asks of a resource of the type; None where it is not known.

    ``links`` is how many more references may be followed (R4 sets no bound; a server may).
    """
    if name.startswith("_has:"):
        return _having(type_, name, text, base, links)
    head, dot, rest = name.partition(".")
    bare, _, modifier = head.partition(":")
    parameter = parameters_of(type_).get(bare)
    if parameter is None:
        return None
    if not dot:
        return _condition(parameter, name, modifier, text, base)
    if parameter.type != "reference":
        raise SearchError(name, f"{bare} is no reference, a chain cannot go on from it")
    _check_links(name, links)
    found = []
    for target in [modifier] if modifier else parameter.targets or tuple(PARAMETERS):
        further = _criterion(target, rest, text, base, links - 1)
        if further is not None:
            found.append(Linked(bare, target, (further,)))
    if not found:
        return None
    return found[0] if len(found) == 1 else AnyOf(tuple(found))


def _having(type_: str, name: str, text: str, base: str | None, links: int) -> Criterion | None:
    """``_has:Observation:patient:code``."""
    _check_links(name, links)
    _, _, rest = name.partition(":")
    other, _, rest = rest.partition(":")
    link, _, rest = rest.partition(":")
    parameter = parameters_of(other).get(link)
    if other not in PARAMETERS or parameter is None or parameter.type != "reference":
        raise SearchError(name, "expected _has:Type:reference:parameter")
    if parameter.targets and type_ not in parameter.targets:
        raise SearchError(name, f"{link} of {other} never refers to {type_}")
    further = _criterion(other, rest, text, base, links - 1)
    return None if further is None else Having(other, link, (further,))


def _check_links(name: str, links: int) -> None:
    if links == 0:
        raise SearchError(name, f"at most {MOST_LINKS} references are followed", "too-costly")


def split(text: str, separator: str) -> list[str]:
    """Parts between unescaped separators, their escapes kept."""
    parts, start, at = [], 0, 0
    while at < len(text):
        if text[at] == "\\":
            at += 1
        elif text[at] == separator:
            parts.append(text[start:at])
            start = at + 1
        at += 1
    return [*parts, text[start:]]


def unescape(text: str) -> str:
    """The text without its escapes. Raises ValueError for a backslash that escapes nothing."""
    out, at = [], 0
    while at < len(text):
        if text[at] == "\\":
            at += 1
            if at == len(text) or text[at] not in _ESCAPED:
                raise ValueError("a backslash escapes only , | $ and itself")
        out.append(text[at])
        at += 1
    return "".join(out)


@dataclass(frozen=True, slots=True)
class _Asked:
    """One parameter as asked: its declaration, modifier, and this service's own address."""

    parameter: Parameter
    modifier: str
    base: str | None


def _condition(
    parameter: Parameter, asked: str, modifier: str, text: str, base: str | None
) -> Condition:
    if modifier == "missing":
        if text not in {"true", "false"}:
            raise SearchError(asked, f"found {shown(text)}, expected true or false")
        return Condition(parameter.name, parameter.type, missing=text == "true")
    how = _Asked(parameter, modifier, base)
    if parameter.type == "reference" and modifier == "identifier":
        tokens = _values(asked, text, _token, how)
        return Condition(f"{parameter.name}:identifier", "token", tokens)
    _refuse_modifier(parameter, asked, modifier)
    values = _values(asked, text, _READERS[parameter.type], how)
    return Condition(parameter.name, parameter.type, values, negated=modifier == "not")


_MODIFIERS: Mapping[Kind, frozenset[str]] = {
    "token": frozenset({"", "not"}),
    "reference": frozenset({""}),
    "date": frozenset({""}),
    "string": frozenset({"", "exact", "contains"}),
    "quantity": frozenset({""}),
    "uri": frozenset({"", "below", "above"}),
}
"""Modifiers served beside ``:missing``, ``:identifier`` and the type of a reference."""


def _refuse_modifier(parameter: Parameter, asked: str, modifier: str) -> None:
    if modifier in _MODIFIERS[parameter.type]:
        return
    if parameter.type == "reference" and _TYPE_NAME.fullmatch(modifier):
        return
    raise SearchError(asked, f"modifier :{modifier[:40]} is not supported", "not-supported")


def _values(
    asked: str, text: str, read: Callable[[str, _Asked], Value], how: _Asked
) -> tuple[Value, ...]:
    try:
        parts = split(text, ",")
        if "" in parts:
            raise ValueError("a value is empty")
        return tuple(read(part, how) for part in parts)
    except ValueError as error:
        raise SearchError(asked, f"{shown(text)} cannot be read: {error}") from None


def _token(part: str, _: _Asked) -> TokenValue:
    pieces = [unescape(piece) for piece in split(part, "|")]
    if len(pieces) == 1:
        return TokenValue(None, pieces[0])
    if len(pieces) > 2 or pieces == ["", ""]:
        raise ValueError("expected code, system|code, |code or system|")
    return TokenValue(pieces[0], pieces[1] or None)


def _reference(part: str, how: _Asked) -> ReferenceValue:
    text = unescape(part)
    if how.base is not None:
        text = text.removeprefix(how.base.rstrip("/") + "/")
    local = local_reference(text)
    if local is not None:
        if how.modifier and local[0] != how.modifier:
            raise ValueError(f"expected a reference to {how.modifier}")
        return ReferenceValue(*local)
    if ":" in text or "/" in text:
        return ReferenceValue("", text)
    targets = how.parameter.targets
    return ReferenceValue(how.modifier or (targets[0] if len(targets) == 1 else None), text)


def _prefix(part: str) -> tuple[Prefix, str]:
    match = _PREFIXED.fullmatch(part)
    prefix, rest = match.groups() if match else (None, part)
    if prefix == "ap":
        raise ValueError("prefix ap is not supported")
    return cast(Prefix, prefix or "eq"), rest


def _date(part: str, _: _Asked) -> DateValue:
    prefix, text = _prefix(unescape(part))
    return DateValue(prefix, *span_of(text))


def _string(part: str, how: _Asked) -> StringValue:
    text = unescape(part)
    if how.modifier == "exact":
        return StringValue(text, "exact")
    return StringValue(folded(text), "contains" if how.modifier == "contains" else "starts")


def _quantity(part: str, _: _Asked) -> QuantityValue:
    prefix, text = _prefix(part)
    pieces = [unescape(piece) for piece in split(text, "|")]
    if len(pieces) not in {1, 3} or not _NUMBER.fullmatch(pieces[0]):
        raise ValueError("expected number or number|system|code")
    number = Decimal(pieces[0])
    exponent = cast(int, number.as_tuple().exponent)
    half = Decimal((0, (5,), exponent - 1))
    system, code = pieces[1:] if len(pieces) == 3 else ["", ""]
    return QuantityValue(prefix, number, number - half, number + half, system or None, code or None)


def _uri(part: str, how: _Asked) -> UriValue:
    text = unescape(part)
    if how.modifier == "below":
        return UriValue(text, "below")
    return UriValue(text, "above" if how.modifier == "above" else "exact")


_READERS: Mapping[Kind, Callable[[str, _Asked], Value]] = {
    "token": _token,
    "reference": _reference,
    "date": _date,
    "string": _string,
    "quantity": _quantity,
    "uri": _uri,
}


Known = Mapping[str, Parameter]


def _count(search: Search, _: Known, text: str, __: str) -> None:
    if not re.fullmatch(r"\d{1,9}", text, re.ASCII):
        raise SearchError("_count", f"found {shown(text)}, expected a whole number from 0")
    search.count = int(text)


def _sort(search: Search, known: Known, text: str, _: str) -> None:
    for part in text.split(","):
        name = part.removeprefix("-")
        if name not in known:
            raise SearchError("_sort", f"found {shown(name)}, expected a search parameter")
        search.sort.append(SortKey(name, known[name].type, part.startswith("-")))


def _summary(search: Search, _: Known, text: str, __: str) -> None:
    if text not in {"true", "text", "data", "count", "false"}:
        expected = "true, text, data, count or false"
        raise SearchError("_summary", f"found {shown(text)}, expected {expected}")
    search.summary = text
    if text == "count":
        search.count = 0


def _total(search: Search, _: Known, text: str, __: str) -> None:
    if text not in {"none", "estimate", "accurate"}:
        raise SearchError("_total", f"found {shown(text)}, expected none, estimate or accurate")
    search.total = text


def _elements(search: Search, _: Known, text: str, __: str) -> None:
    names = text.split(",")
    if not all(re.fullmatch(r"[A-Za-z]{1,64}", name, re.ASCII) for name in names):
        raise SearchError("_elements", f"found {shown(text)}, expected names of elements")
    search.elements += names


def _include(search: Search, _: Known, text: str, modifier: str) -> None:
    search.includes.append(_included("_include", text, modifier, reverse=False))


def _revinclude(search: Search, _: Known, text: str, modifier: str) -> None:
    search.includes.append(_included("_revinclude", text, modifier, reverse=True))


def _included(name: str, text: str, modifier: str, *, reverse: bool) -> Include:
    source, _, rest = text.partition(":")
    link, _, target = rest.partition(":")
    parameter = parameters_of(source).get(link)
    known = link == "*" or (parameter is not None and parameter.type == "reference")
    if source not in PARAMETERS or not known or (target and target not in PARAMETERS):
        raise SearchError(
            name, f"found {shown(text)}, expected Type:reference or Type:reference:Type"
        )
    return Include(source, link, target or None, modifier == "iterate", reverse)


_RESULT: Mapping[str, Callable[[Search, Known, str, str], None]] = {
    "_count": _count,
    "_elements": _elements,
    "_include": _include,
    "_revinclude": _revinclude,
    "_sort": _sort,
    "_summary": _summary,
    "_total": _total,
}
"""Parameters that shape the answer."""
_RESULT_MODIFIERS = {"_include": ("", "iterate"), "_revinclude": ("", "iterate")}
