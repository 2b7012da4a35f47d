"""The one codec for search values (R4 search.html#escaping).

A value that was percent-decoded is split at separators that no backslash precedes, and each piece
is unescaped once after that.
"""

_ESCAPED = ",|$\\"


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
