"""What the text of a reference says of the resource that it leads to."""

import re
from typing import Any

_LOCAL = re.compile(r"([A-Z][A-Za-z]{0,63})/([A-Za-z0-9.-]{1,64})(?:/_history/[^/]+)?", re.ASCII)
_ELSEWHERE = re.compile(r"https?://.+/([A-Z][A-Za-z]{0,63})/[A-Za-z0-9.-]{1,64}", re.ASCII)


def local_reference(text: str) -> tuple[str, str] | None:
    """Type and id of a reference within this service; its version is left out."""
    match = _LOCAL.fullmatch(text)
    return (match.group(1), match.group(2)) if match else None


def may_be_of(reference: dict[str, Any], type_: str) -> bool:
    """Whether a Reference can lead to a resource of this type.

    Nothing is looked up: what is referred to may come later, or be elsewhere. A reference that
    does not say what it leads to may lead to it.
    """
    said = reference.get("type") or _type_in(reference.get("reference"))
    return said is None or said == type_


def _type_in(text: Any) -> str | None:
    if not isinstance(text, str):
        return None
    match = _LOCAL.fullmatch(text) or _ELSEWHERE.fullmatch(text.partition("/_history/")[0])
    return match.group(1) if match else None
