"""The jobs that keep the record: one way in, one way out."""

from service.record.changes import (
    Actor,
    Change,
    Create,
    Delete,
    Match,
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
    "Premise",
    "Record",
    "Update",
    "Written",
]
