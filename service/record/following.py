"""What follows from what is written, in the same unit of work."""

from collections.abc import Sequence
from datetime import datetime
from typing import Protocol

from service.record.changes import Actor, Change
from service.record.view import View
from service.store.contract import Version


class Follower(Protocol):
    """Decides what else is to be written. ``actor`` and ``reason`` stand in its Provenance.

    What cannot be written of it is left out and logged; it never undoes what it follows from.
    """

    actor: Actor
    reason: str

    def changes(self, view: View, written: Sequence[Version], now: datetime) -> Sequence[Change]:
        """``view`` shows the record as it would be with ``written``, whose instant is ``now``."""
        ...
