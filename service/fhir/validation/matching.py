"""Whether a value equals a fixed value or holds a pattern (R4 elementdefinition.html)."""

from typing import Any


def same(left: Any, right: Any) -> bool:
    """Equal in kind and value; decimals by number, objects whatever their order."""
    if isinstance(left, dict) and isinstance(right, dict):
        return left.keys() == right.keys() and all(same(left[k], right[k]) for k in left)
    if isinstance(left, list) and isinstance(right, list):
        return len(left) == len(right) and all(map(same, left, right))
    return _same_primitive(left, right)


def holds(value: Any, pattern: Any) -> bool:
    """Whether everything in the pattern is found in the value; arrays in any order."""
    if isinstance(pattern, dict):
        return isinstance(value, dict) and all(
            name in value and holds(value[name], part) for name, part in pattern.items()
        )
    if isinstance(pattern, list):
        return isinstance(value, list) and all(
            any(holds(item, part) for item in value) for part in pattern
        )
    return _same_primitive(value, pattern)


def _same_primitive(left: Any, right: Any) -> bool:
    if isinstance(left, bool) or isinstance(right, bool):
        return left is right
    return bool(left == right)
