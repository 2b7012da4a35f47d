"""Reading an element by one walk: what is there is looked at, not what might be there.

The paths of a table's rows are put together once into visits. A visit of an object asks for the
few names that any row begins with; the repetitions of a sliced element are gone through once, and
each is handed to the rows of its slice. The answers are those of ``find_at`` row by row.
"""

from collections.abc import Callable, Mapping, Sequence
from typing import Any

from service.fhir.json import JsonObject
from service.mapping.converters import Context, as_it_is
from service.mapping.path import SliceKey, Step

Names = tuple[str, ...]
Read = Callable[[Any, Context], Any]
"""From what is at the end of a path to the document value, None where there is none."""
Visit = Callable[[Any, JsonObject, Context], None]
"""Puts what an element says into a document."""
Line = tuple[tuple[Step, ...], Names, Read]
"""A row that is read: the steps to its element, the names that lead to its value, and how."""

WHOLE = ""
"""The name of a value that is not in the document but is all of it."""


def visit_of(lines: Sequence[Line]) -> Visit:
    """The visit that reads all ``lines`` in an element."""
    visits = [_end(names, read) for steps, names, read in lines if not steps]
    below: dict[tuple[str, bool, bool], list[Line]] = {}
    for line in lines:
        if steps := line[0]:
            kind = steps[0].name, steps[0].repeats, steps[0].key is not None
            below.setdefault(kind, []).append(line)
    looks = [_look(*kind, members) for kind, members in below.items()]
    if looks:
        visits.append(_of_object(looks))
    return visits[0] if len(visits) == 1 else _each_of(visits)


def _end(names: Names, read: Read) -> Visit:
    *outer, name = names or (WHOLE,)

    def put(found: Any, document: JsonObject, context: Context) -> None:
        value = read(found, context)
        if value is None or value == {}:
            return
        for one in outer:
            document = document.setdefault(one, {})
        document[name] = value

    def put_as_it_is(found: Any, document: JsonObject, _: Context) -> None:
        if found != {}:
            document[name] = found

    return put_as_it_is if read is as_it_is and not outer else put


def _each_of(visits: Sequence[Visit]) -> Visit:
    def visit(element: Any, document: JsonObject, context: Context) -> None:
        for one in visits:
            one(element, document, context)

    return visit


def _of_object(looks: Sequence[Visit]) -> Visit:
    only = looks[0]

    def visit(element: Any, document: JsonObject, context: Context) -> None:
        if isinstance(element, dict):
            for look in looks:
                look(element, document, context)

    def visit_one(element: Any, document: JsonObject, context: Context) -> None:
        if isinstance(element, dict):
            only(element, document, context)

    return visit_one if len(looks) == 1 else visit


def _look(name: str, repeats: bool, sliced: bool, lines: Sequence[Line]) -> Visit:
    """What is done with one element of an object."""
    if sliced:
        return _at_slices(name, lines)
    visit = visit_of([(steps[1:], names, read) for steps, names, read in lines])
    return _at_first(name, visit) if repeats else _at(name, visit)


def _at(name: str, visit: Visit) -> Visit:
    def look(element: JsonObject, document: JsonObject, context: Context) -> None:
        part = element.get(name)
        if part is not None:
            visit(part, document, context)

    return look


def _at_first(name: str, visit: Visit) -> Visit:
    def look(element: JsonObject, document: JsonObject, context: Context) -> None:
        first = next(iter(element.get(name) or ()), None)
        if first is not None:
            visit(first, document, context)

    return look


def _at_slices(name: str, lines: Sequence[Line]) -> Visit:
    """Of each slice the first repetition; one may be of several slices."""
    of_slice: dict[SliceKey, list[Line]] = {}
    for steps, names, read in lines:
        if (key := steps[0].key) is not None:
            of_slice.setdefault(key, []).append((steps[1:], names, read))
    visits = {key: visit_of(members) for key, members in of_slice.items()}
    keys_of = _KEYS[name]

    def look(element: JsonObject, document: JsonObject, context: Context) -> None:
        met = set()
        for item in element.get(name) or ():
            for key in keys_of(item) if isinstance(item, dict) else ():
                if key in visits and key not in met:
                    met.add(key)
                    visits[key](item, document, context)

    return look


def _url(item: JsonObject) -> list[SliceKey]:
    return [url] if isinstance(url := item.get("url"), str) else []


def _system(item: JsonObject) -> list[SliceKey]:
    return [system] if isinstance(system := item.get("system"), str) else []


def _systems(item: JsonObject) -> list[SliceKey]:
    return [key for coding in item.get("coding", []) for key in _system(coding)]


def _codes(item: JsonObject) -> list[SliceKey]:
    codings = item.get("code", {}).get("coding", [])
    keys = [(coding.get("system"), coding.get("code")) for coding in codings]
    return [
        (system, code) for system, code in keys if isinstance(system, str) and isinstance(code, str)
    ]


_KEYS: Mapping[str, Callable[[JsonObject], list[SliceKey]]] = {
    "extension": _url,
    "identifier": _system,
    "coding": _system,
    "telecom": _system,
    "category": _systems,
    "component": _codes,
    "parameter": _codes,
}
"""By the name of a sliced element, which slices a repetition is of."""
