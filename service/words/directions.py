"""Marks around text that goes its own way (Unicode Standard Annex 9, explicit isolates)."""

ISOLATE, END_ISOLATE = "\u2068", "\u2069"
"""Around what others wrote (FIRST STRONG ISOLATE, POP DIRECTIONAL ISOLATE): it has a language and a
direction of its own, and a page can tell it from our words."""
_LEFT_TO_RIGHT = "\u2066"


def left_to_right(text: str) -> str:
    """Text that is read from left to right, whatever is around it."""
    return f"{_LEFT_TO_RIGHT}{text}{END_ISOLATE}"
