"""The record, its one way in and one way out, and the jobs that go through them."""

from service.record.changes import (
    Actor,
    Change,
    Create,
    Delete,
    Match,
    Patch,
    Premise,
    Update,
    Written,
)
from service.record.record import Record

__all__ = [
    "Actor",
    "Change",
    "Create",
    "Delete",
    "Match",
    "Patch",
    "Premise",
    "Record",
    "Update",
    "Written",
]
