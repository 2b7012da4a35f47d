"""What has been verified before, in bounded sets: the cheapest check is one already made."""

from collections.abc import Callable
from typing import Any

LIMIT = 2048
"""Most entries of one set; a full set is emptied and filled anew."""
LONGEST_TEXT = 200
LONGEST_OBJECT = 2048
"""Longest entry, in characters and bytes."""
ROOM = 512 * 1024
"""Most bytes of objects that one memory holds."""


class UnsureError(Exception):
    """The quick path cannot tell: the resource counts as not clean."""


class Seen(set[Any]):
    """Short texts, or tuples of texts, up to a limit."""

    def remember(self, value: Any) -> None:
        """Take in a value that is short enough."""
        if (len(value) if value.__class__ is str else sum(map(len, value))) <= LONGEST_TEXT:
            if len(self) >= LIMIT:
                self.clear()
            self.add(value)


class Verified(Seen):
    """Values that passed a test of the value alone."""

    def __init__(self, test: Callable[[Any], bool]) -> None:
        super().__init__()
        self._test = test

    def learn(self, value: Any) -> bool:
        """Test a value that is not in the set; remember it if it passes."""
        if not self._test(value):
            return False
        self.remember(value)
        return True


class VerifiedObjects(dict[bytes, int]):
    """Objects, as the text they are written in, that passed a check of the object alone.

    The value is what the check answered: 1 for clean, with more bits where the caller counts
    slices and facts.
    """

    def __init__(self, check: Callable[[Any], int]) -> None:
        super().__init__()
        self._check = check
        self._room = ROOM

    def learn(self, written: bytes, value: Any) -> int:
        """Check an object that is not among them; remember it if it is clean and small."""
        found = self._check(value)
        if found and len(written) <= LONGEST_OBJECT:
            self._room -= len(written)
            if self._room < 0 or len(self) >= LIMIT:
                self.clear()
                self._room = ROOM - len(written)
            self[written] = found
        return found
