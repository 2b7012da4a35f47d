"""Values that have troubled servers before, and JSON that has been tampered with."""

import json
from collections.abc import Callable, Iterator
from copy import deepcopy
from random import Random
from typing import Any

TEXTS = (
    "",
    " ",
    "\u0000",
    "\ud800",
    "\u202eodd\u202c",
    "e\u0301\u0301\u0301",
    "\U0001f642" * 3,
    "\ufeff",
    "Ünal ß ﬁ İ",
    "'; --",
    '"><b>',
    "a" * 3000,
    "%00",
    "\\",
    "${x}",
    "{}",
    "../../etc",
    "null",
    "urn:uuid:",
    "Patient/",
    "Patient/p/_history/1",
    "#",
    "http://",
    "2031-02-30",
    "0000-01-01",
    "9999-12-31T23:59:60Z",
    "2031-03-09T25:00:00+99:00",
    "24:00:00",
    "-1",
    "1e999",
    "\t\r\n",
)
NUMBERS: tuple[Any, ...] = (
    0,
    -0.0,
    -1,
    1.5,
    2**31,
    -(2**31) - 1,
    2**63,
    10**40,
    1e-300,
    1e300,
)
LITERALS = (
    "1.50",
    "1.0e2",
    "-0",
    "1E400",
    "1e-400",
    "0.1000000000000000055511151231",
    "123456" * 9,
)
"""Numbers whose digits must come back; written into the text where a marker stands."""
_MARKER = "\u2603number"

PRIMITIVES: tuple[Any, ...] = (*TEXTS, *NUMBERS, True, False, None)


def anything(rng: Random, depth: int = 2) -> Any:
    """Any JSON."""
    kind = rng.random()
    if depth == 0 or kind < 0.6:
        return rng.choice(PRIMITIVES)
    items = [anything(rng, depth - 1) for _ in range(rng.randrange(3))]
    if kind < 0.8:
        return items
    return {rng.choice(("url", "value", "extension", "id", "", "code")): one for one in items}


Place = tuple[Any, Any]
"""A list or an object, and the index or name of one of its parts."""


def places(whole: Any) -> Iterator[Place]:
    """Every part of the value."""
    parts = whole.items() if isinstance(whole, dict) else enumerate(whole)
    for key, part in list(parts):
        yield whole, key
        if isinstance(part, dict | list):
            yield from places(part)


def _drop(_: Random, holder: Any, key: Any) -> None:
    del holder[key]


def _retype(rng: Random, holder: Any, key: Any) -> None:
    value = holder[key]
    holder[key] = rng.choice(([value], {"value": value}, str(value), anything(rng), None, [], {}))


def _odd(rng: Random, holder: Any, key: Any) -> None:
    holder[key] = rng.choice(PRIMITIVES)


def _digits(_: Random, holder: Any, key: Any) -> None:
    holder[key] = _MARKER


def _double(rng: Random, holder: Any, key: Any) -> None:
    value = holder[key]
    if isinstance(value, list):
        value.extend(deepcopy(value) * rng.choice((1, 1, 20)))
    else:
        holder[key] = [value, deepcopy(value)]


def _deepen(rng: Random, holder: Any, key: Any) -> None:
    value = holder[key]
    for _ in range(rng.choice((1, 5, 40, 80))):
        value = {"extension": [value]} if rng.random() < 0.5 else [value]
    holder[key] = value


def _rename(rng: Random, holder: Any, key: Any) -> None:
    if isinstance(holder, dict):
        value = holder.pop(key)
        holder[rng.choice((f"_{key}", f"{key}X", str(key).upper(), "valueString", ""))] = value


def _extend(rng: Random, holder: Any, key: Any) -> None:
    """What R4 allows wherever an element stands."""
    extension = {"url": "https://ward.example/more", "valueString": rng.choice(TEXTS) or "x"}
    value = holder[key]
    if isinstance(value, dict):
        value["extension"] = [extension]
    elif isinstance(holder, dict) and isinstance(value, str):
        holder[f"_{key}"] = {"extension": [extension]}


def _swap(rng: Random, holder: Any, key: Any) -> None:
    """Another value of the same kind, so that much stays valid."""
    value = holder[key]
    if isinstance(value, str):
        holder[key] = rng.choice((f"{value} more", value[:-1] or "x", *TEXTS))
    elif isinstance(value, bool):
        holder[key] = not value
    elif isinstance(value, int | float):
        holder[key] = rng.choice((value + 1, 0, _MARKER))


Change = Callable[[Random, Any, Any], None]
CHANGES: tuple[Change, ...] = (
    *(_drop, _retype, _odd, _digits, _double, _deepen, _rename),
    *(_extend, _swap) * 3,
)


def tampered(rng: Random, whole: Any) -> Any:
    """A copy with one to three parts changed."""
    changed = deepcopy(whole)
    for _ in range(rng.choice((1, 1, 2, 3))):
        found = [*places(changed)]
        if found:
            rng.choice(CHANGES)(rng, *rng.choice(found))
    return changed


def written(rng: Random, value: Any) -> bytes:
    """The value as JSON text; now and then the text itself is damaged."""
    text = json.dumps(value, ensure_ascii=rng.random() < 0.5)
    while json.dumps(_MARKER) in text or f'"{_MARKER}"' in text:
        for quoted in (json.dumps(_MARKER), f'"{_MARKER}"'):
            text = text.replace(quoted, rng.choice(LITERALS), 1)
    body = text.encode("utf-8", "surrogatepass")
    return rng.choice(_DAMAGES)(body) if rng.random() < 0.05 else body


_DAMAGES: tuple[Callable[[bytes], bytes], ...] = (
    lambda body: body[: len(body) // 2],
    lambda body: body + b"}",
    lambda body: b"\xef\xbb\xbf" + body,
    lambda body: body.decode("utf-8", "replace").encode("utf-16"),
    lambda body: body.replace(b"{", b'{"id":"a","id":"b",', 1),
    lambda body: body.replace(b":", b":NaN,", 1),
    lambda body: body.replace(b"e", b"\xff", 1),
    lambda _: b"[" * 20_000,
    lambda body: b"[" + body + b"]",
    lambda _: b"",
    lambda _: b"null",
    lambda _: b"9" * 5000,
)
