"""``$lastn``: the last observations of each kind (R4 operation Observation-lastn).

Observations are of one kind when they share a coding, by one step or by several (translations are
equal and equality is transitive); codes that are only text, by that text as written. Where the
last one that counts has the same time as others, those come as well.
"""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field

from service.fhir.json import JsonObject, read
from service.fhir.outcome import Finding
from service.fhir.search.terms import Criterion, SortKey
from service.fhir.spans import span_of
from service.record.errors import Malformed
from service.record.view import View
from service.store.contract import Key, Version

MOST_SEEN = 20_000
"""Observations that are gone through for one answer."""
_AT_ONCE = 500
_NO_SYSTEM = " "
"""Stands where a code is only text; no URI has a blank."""
_NEWEST_FIRST = (SortKey("date", "date", descending=True),)

Code = tuple[str, str]


@dataclass(slots=True)
class _Kind:
    """Observations of one kind, newest first, as far as they may be among the last."""

    lines: list["_Line"] = field(default_factory=list)


@dataclass(frozen=True, slots=True)
class _Line:
    """One observation: its place among all, and when it was (``None``: not said)."""

    place: int
    time: int | None
    key: Key


def last_of_each(view: View, criteria: Sequence[Criterion], most: int) -> list[Version]:
    """The last ``most`` observations of each kind that meet the criteria, newest first.

    Raises Malformed when more than ``MOST_SEEN`` meet them.
    """
    kinds: dict[Code, _Kind] = {}
    for place, version in enumerate(_all(view, criteria)):
        resource = read(version.body)
        line = _Line(place, _time(resource), (version.type, version.id))
        kind = _joined(kinds, _codes(resource))
        kind.lines.append(line)
        kind.lines = list(_last(kind.lines, most))
    each = {id(kind): kind for kind in kinds.values()}
    lines = sorted((line for kind in each.values() for line in kind.lines), key=lambda x: x.place)
    found = view.current([line.key for line in lines])
    return [found[line.key] for line in lines if line.key in found]


def _all(view: View, criteria: Sequence[Criterion]) -> Iterator[Version]:
    cursor, seen = None, 0
    while True:
        page = view.search(
            "Observation", criteria, sort=_NEWEST_FIRST, count=_AT_ONCE, cursor=cursor
        )
        yield from page.versions
        seen += _AT_ONCE
        cursor = page.next
        if cursor is None:
            return
        if seen >= MOST_SEEN:
            told = f"More than {MOST_SEEN} observations would be gone through; narrow it by date."
            raise Malformed([Finding("error", "too-costly", "", told)])


def _joined(kinds: dict[Code, _Kind], codes: Sequence[Code]) -> _Kind:
    """The kind of these codes; kinds that they connect become one."""
    known = list({id(kinds[code]): kinds[code] for code in codes if code in kinds}.values())
    kind = known[0] if known else _Kind()
    if len(known) > 1:
        lines = (line for one in known for line in one.lines)
        kind.lines = sorted(lines, key=lambda line: line.place)
        absorbed = {id(one) for one in known[1:]}
        kinds |= {code: kind for code, one in kinds.items() if id(one) in absorbed}
    kinds |= dict.fromkeys(codes, kind)
    return kind


def _last(lines: Iterable[_Line], most: int) -> Iterator[_Line]:
    kept: _Line | None = None
    for number, line in enumerate(lines):
        if number < most:
            kept = line
        elif kept is None or line.time is None or line.time != kept.time:
            return
        yield line


def _codes(resource: JsonObject) -> list[Code]:
    """System and code of each coding; without any, the text."""
    code = resource.get("code", {})
    codings = [
        (one.get("system", ""), one["code"]) for one in code.get("coding", ()) if "code" in one
    ]
    return codings or [(_NO_SYSTEM, code.get("text", ""))]


def _time(resource: JsonObject) -> int | None:
    """The beginning, as results are ordered by."""
    period = resource.get("effectivePeriod", {})
    events = resource.get("effectiveTiming", {}).get("event", ())
    texts = [
        resource.get("effectiveDateTime"),
        resource.get("effectiveInstant"),
        period.get("start"),
        *events,
    ]
    starts = [span_of(text)[0] for text in texts if text is not None]
    return min(starts) if starts else None
