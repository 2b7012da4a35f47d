"""JSON Pointer (RFC 6901): from text to steps, and along them."""

import re
from typing import Any

from service.fhir.patch.errors import InapplicablePatchError, MalformedPatchError

_INDEX = re.compile(r"0|[1-9]\d{0,8}", re.ASCII)
_LONE_TILDE = re.compile(r"~(?![01])")
_END = "-"


class Missing(InapplicablePatchError):  # noqa: N818  (says what is the case)
    """A pointer leads nowhere."""


def steps_of(pointer: str) -> tuple[str, ...]:
    """The names and numbers along a pointer, unescaped. Raises MalformedPatchError."""
    if not pointer:
        return ()
    if not pointer.startswith("/") or _LONE_TILDE.search(pointer):
        raise MalformedPatchError("A pointer is empty or begins with /, and ~ is written ~0.")
    return tuple(step.replace("~1", "/").replace("~0", "~") for step in pointer[1:].split("/"))


def value_at(document: Any, steps: tuple[str, ...]) -> Any:
    """The value that a pointer names. Raises Missing."""
    for step in steps:
        document = document[key_in(document, step)]
    return document


def key_in(parent: Any, step: str) -> Any:
    """The name or number of something that ``parent`` has. Raises Missing."""
    if isinstance(parent, dict) and step in parent:
        return step
    if isinstance(parent, list) and _INDEX.fullmatch(step) and int(step) < len(parent):
        return int(step)
    raise Missing("there is nothing at this place")


def gap_in(parent: Any, step: str) -> Any:
    """The name or number at which something may be put into ``parent``. Raises Missing."""
    if isinstance(parent, dict):
        return step
    if isinstance(parent, list) and step == _END:
        return len(parent)
    if isinstance(parent, list) and _INDEX.fullmatch(step) and int(step) <= len(parent):
        return int(step)
    raise Missing("nothing can be put at this place")
