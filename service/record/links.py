"""References inside a transaction: from what entries call themselves to what they become."""

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

_ATTRIBUTE = re.compile(r"""\b(href|src)=(["'])([^"']*)\2""")


@dataclass(frozen=True, slots=True)
class Names:
    """What entries call themselves, and ``Type/id`` they become.

    ``full``: by fullUrl. ``relative``: what a Reference may say, which is that and the tail of it.
    """

    full: Mapping[str, str]
    relative: Mapping[str, str]


def rewritten(value: Any, names: Names) -> Any:
    """A copy in which every link to an entry says what the entry becomes, fragments kept.

    A link is any text that is such a name (R4 http.html#trules: references and elements of type
    uri, url, oid and uuid), and an ``href`` or ``src`` in narrative. The ``value`` of an
    identifier is no link, even if it looks like one.
    """
    if isinstance(value, list):
        return [_member("", part, names) for part in value]
    if isinstance(value, dict):
        return {name: _member(name, part, names) for name, part in value.items()}
    return value


def as_members(operations: Any) -> Any:
    """The values of a JSON Patch as what they will be: members, under the name they will have.

    ``{"path": "/subject/reference", "value": "urn:uuid:..."}`` becomes ``{"reference": ...}``.
    """
    return [
        {operation["path"].rpartition("/")[2]: operation["value"]}
        if _puts_something(operation)
        else {}
        for operation in operations
    ]


def rewritten_patch(operations: Any, names: Names) -> Any:
    """A copy of a JSON Patch whose values say what entries become."""
    return [
        operation | {"value": next(iter(rewritten(member, names).values()))}
        if member
        else operation
        for operation, member in zip(operations, as_members(operations), strict=True)
    ]


def references(value: Any, path: str = "") -> Iterator[tuple[str, str]]:
    """Path (from the resource, with a leading dot) and text of every Reference.reference."""
    if isinstance(value, list):
        for number, part in enumerate(value):
            yield from references(part, f"{path}[{number}]")
    elif isinstance(value, dict):
        for name, part in value.items():
            if name == "reference" and isinstance(part, str):
                yield f"{path}.{name}", part
            else:
                yield from references(part, f"{path}.{name}")


def _puts_something(operation: Any) -> bool:
    return (
        isinstance(operation, dict)
        and "value" in operation
        and isinstance(operation.get("path"), str)
    )


def _member(name: str, part: Any, names: Names) -> Any:
    if not isinstance(part, str):
        return rewritten(part, names)
    if name == "value":
        return part
    if name == "div":
        return _ATTRIBUTE.sub(lambda found: _attribute(found, names), part)
    return _link(part, names.relative if name == "reference" else names.full)


def _attribute(found: re.Match[str], names: Names) -> str:
    attribute, quote, address = found.groups()
    return f"{attribute}={quote}{_link(address, names.full)}{quote}"


def _link(text: str, names: Mapping[str, str]) -> str:
    if text in names:
        return names[text]
    address, mark, fragment = text.partition("#")
    return f"{names[address]}{mark}{fragment}" if address in names else text
