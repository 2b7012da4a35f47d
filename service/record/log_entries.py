"""Entries of a log against what the record has of them: new, the same again, or changed."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

from service.fhir.codings import codings
from service.fhir.json import JsonObject
from service.mapping.canonical import code_system
from service.mapping.errors import UnmappableError
from service.mapping.feeds import Kind
from service.mapping.logs import (
    LogEntry,
    health_state_to_observation,
    log_identifier,
    observation_to_health_state,
    observation_to_pause,
    observation_to_review,
    observation_to_session,
    pause_to_observation,
    review_to_observation,
    session_to_observation,
)
from service.programme.device_clock import as_sent
from service.programme.log import HealthState, Pause, Session
from service.programme.review import TechniqueReview
from service.record.changes import Match, Update
from service.record.errors import Conflict
from service.record.log_rows import GoodRow

_LOG = code_system("airway-log")
_CODE_OF: dict[Kind, tuple[str, str]] = {
    "session": (_LOG, "session"),
    "health-state": (_LOG, "health-state"),
    "pause": (_LOG, "pause"),
    "technique-review": (code_system("airway-assessment"), "technique-review"),
}
_AS_SENT = frozenset({"final", "amended"})
"""Statuses of versions that say what a sender said; the others are what a person made of it."""

_ENTRY_OF: dict[Kind, Callable[[JsonObject], LogEntry]] = {
    "session": observation_to_session,
    "health-state": observation_to_health_state,
    "pause": observation_to_pause,
    "technique-review": observation_to_review,
}


def match_of_entry(row: GoodRow) -> Match:
    """The Observation that the row is about, if the record has it."""
    return Match.identifier("Observation", *log_identifier(row.entry))


def sent_before(row: GoodRow, versions: Sequence[JsonObject]) -> JsonObject | None:
    """The stored version that the row repeats, if its sender said the same before.

    ``versions`` are all that the record has of the entry, oldest first. An old file that is sent
    again undoes neither what its sender said later nor what a person corrected since.
    """
    sent = (stored for stored in reversed(versions) if stored.get("status") in _AS_SENT)
    return next((one for one in sent if _is_of(row, one) and _says_nothing_new(row, one)), None)


def change_of(row: GoodRow, match: Match) -> Update:
    """What to write: a new Observation, or a new version of the one that is there by then."""
    observation = _observation(row, None)
    del observation["id"]
    return Update(observation, match=match, revise=_Revision(row))


@dataclass(frozen=True, slots=True)
class _Revision:
    """What a row makes of the entry that the record has by the time it is written."""

    row: GoodRow

    def __call__(self, stored: JsonObject, _: JsonObject) -> JsonObject:
        if not _is_of(self.row, stored):
            raise Conflict.at("", "The identifier is that of something else in the record.")
        if _says_nothing_new(self.row, stored):
            return stored
        if stored.get("status") == "entered-in-error":
            told = "This was marked as entered in error; a person has to look at it."
            raise Conflict.at("Observation.status", told)
        return _observation(self.row, stored)


def _is_of(row: GoodRow, stored: JsonObject) -> bool:
    """Whether the stored Observation is about the same child and the same kind of log."""
    is_kind = _CODE_OF[row.kind] in codings([stored.get("code", {})])
    return is_kind and stored.get("subject", {}).get("reference") == row.home.patient


def _says_nothing_new(row: GoodRow, stored: JsonObject) -> bool:
    """The same as sent before. Of two readings of one clock, the corrected one stands."""
    try:
        before = _ENTRY_OF[row.kind](stored)
    except UnmappableError:
        return False
    entry = row.entry
    if not isinstance(entry, Session) or not isinstance(before, Session):
        return entry == before
    is_better_clock = entry.clock == "corrected" and before.clock != "corrected"
    return as_sent(entry) == as_sent(before) and not is_better_clock


def _observation(row: GoodRow, earlier: JsonObject | None) -> JsonObject:
    how: dict[str, Any] = {
        "subject": row.home.patient,
        "id": earlier["id"] if earlier else "new",
        "status": "amended" if earlier else "final",
        "earlier": earlier,
    }
    match row.entry:
        case Session() as session:
            return session_to_observation(session, regimen=row.regimen, **how)
        case HealthState() as state:
            return health_state_to_observation(state, **how)
        case Pause() as pause:
            return pause_to_observation(pause, **how)
        case TechniqueReview() as review:
            return review_to_observation(review, **how)
