"""Copies of JSON values: what a patch changes is nobody else's."""

from typing import Any


def copied(value: Any) -> Any:
    """The value with objects and lists of its own."""
    if isinstance(value, dict):
        return {name: copied(part) for name, part in value.items()}
    if isinstance(value, list):
        return [copied(part) for part in value]
    return value
