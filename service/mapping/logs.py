"""Sessions, states of health, pauses and technique reviews as Observations, and back."""

import hashlib
from datetime import UTC, date, datetime
from typing import NamedTuple

from service.fhir.json import JsonObject
from service.mapping.canonical import REGIMEN, SESSION_DIGEST
from service.mapping.converters import Context
from service.mapping.documents import built
from service.mapping.path import Step
from service.mapping.references import Resolve, carried, is_same_identifier, pointing
from service.mapping.reviewers import reviewer_of, set_reviewer
from service.mapping.tables import tables
from service.programme.log import HealthState, Pause, Session
from service.programme.review import TechniqueReview

LogEntry = Session | HealthState | Pause | TechniqueReview


class RegimenLink(NamedTuple):
    """The regimen that a session belongs to: its ServiceRequest (``Type/id``), its programme."""

    reference: str
    programme: str


def session_to_observation(
    session: Session,
    *,
    subject: str,
    regimen: RegimenLink | None = None,
    id: str,  # noqa: A002  (FHIR's name)
    status: str = "final",
    earlier: JsonObject | None = None,
) -> JsonObject:
    """The session as an Observation about ``subject`` (``Patient/id``).

    ``regimen`` is what the session's regimen key was found to mean; without it the key is kept
    as it is. What no row speaks of comes from ``earlier``, the version before.
    """
    observation = _observation("session", session, subject, id, status, earlier)
    _set_based_on(observation, session.regimen, regimen)
    _set_performer(observation, session.performer, subject)
    return observation


def observation_to_session(observation: JsonObject, resolve: Resolve | None = None) -> Session:
    """The session in an Observation. Raises UnmappableError.

    ``resolve`` finds the child and the regimen where the Observation refers to them without
    identifier, as other systems do.
    """
    document = _document("session", observation, resolve)
    regimen = regimen_key(observation, resolve)
    performer = performer_in(observation)
    document |= {"regimen": regimen} if regimen else {}
    document |= {"performer": performer} if performer else {}
    return built(Session, document)


def health_state_to_observation(
    state: HealthState,
    *,
    subject: str,
    id: str,  # noqa: A002  (FHIR's name)
    status: str = "final",
    earlier: JsonObject | None = None,
) -> JsonObject:
    """The state of health as an Observation about ``subject``; see session_to_observation."""
    return _observation("health-state", state, subject, id, status, earlier)


def observation_to_health_state(
    observation: JsonObject, resolve: Resolve | None = None
) -> HealthState:
    """The state of health in an Observation. Raises UnmappableError."""
    return built(HealthState, _document("health-state", observation, resolve))


def pause_to_observation(
    pause: Pause,
    *,
    subject: str,
    id: str,  # noqa: A002  (FHIR's name)
    status: str = "final",
    earlier: JsonObject | None = None,
) -> JsonObject:
    """The pause as an Observation about ``subject``; see session_to_observation."""
    return _observation("pause", pause, subject, id, status, earlier)


def observation_to_pause(observation: JsonObject, resolve: Resolve | None = None) -> Pause:
    """The pause in an Observation. Raises UnmappableError."""
    return built(Pause, _document("pause", observation, resolve))


def review_to_observation(
    review: TechniqueReview,
    *,
    subject: str,
    id: str,  # noqa: A002  (FHIR's name)
    status: str = "final",
    earlier: JsonObject | None = None,
) -> JsonObject:
    """The technique review as an Observation about ``subject``; see session_to_observation."""
    observation = _observation("technique-review", review, subject, id, status, earlier)
    set_reviewer(observation, review.reviewer.to_json())
    return observation


def observation_to_review(
    observation: JsonObject, resolve: Resolve | None = None
) -> TechniqueReview:
    """The technique review in an Observation. Raises UnmappableError."""
    document = _document("technique-review", observation, resolve)
    return built(TechniqueReview, document | {"reviewer": reviewer_of(observation)})


def log_identifier(entry: LogEntry) -> tuple[str, str]:
    """System and value by which an entry is known when it comes again.

    The sender's own identifier, else a digest of source, child, what it is (the technique of a
    session) and the start in UTC, as the device had it: a corrected clock changes no identity.
    """
    if entry.id is not None:
        return entry.id.system, entry.id.value
    what, when = _what_and_when(entry)
    parts = (entry.source or "", entry.child.system, entry.child.value, what, _in_utc(when))
    return SESSION_DIGEST, hashlib.sha256("|".join(parts).encode()).hexdigest()


def _what_and_when(entry: LogEntry) -> tuple[str, date | datetime]:
    match entry:
        case Session():
            return entry.technique, entry.device_start or entry.start
        case HealthState():
            return "health-state", entry.start
        case Pause():
            return "pause", entry.start
        case TechniqueReview():
            return f"technique-review|{entry.technique}", entry.date


def _in_utc(start: date | datetime) -> str:
    return (start.astimezone(UTC) if isinstance(start, datetime) else start).isoformat()


def _observation(
    part: str,
    entry: LogEntry,
    subject: str,
    id_: str,
    status: str,
    earlier: JsonObject | None,
) -> JsonObject:
    system, value = log_identifier(entry)
    observation = carried("Observation", id_, earlier)
    observation["status"] = status
    _set_identifier(observation, {"system": system, "value": value})
    tables()[part].write(observation, entry.to_json(), Context())
    observation["subject"] |= {"reference": subject}
    return observation


def _document(part: str, observation: JsonObject, resolve: Resolve | None) -> JsonObject:
    document = tables()[part].read(observation, Context())
    if identity := _identity(observation):
        document["id"] = identity
    if "child" not in document and resolve:
        child = resolve(observation.get("subject", {}).get("reference", "")) or {}
        identifiers = tables()["child"].read(child, Context()).get("identifier", [])
        document |= {"child": identifiers[0]} if identifiers else {}
    return document


def _set_identifier(observation: JsonObject, identifier: JsonObject) -> None:
    """Ours is the digest, or else the first; where the same one is there already, it stays."""
    before = observation.get("identifier", [])
    same = [at for at, one in enumerate(before) if is_same_identifier(one, identifier)]
    digests = [at for at, one in enumerate(before) if one.get("system") == SESSION_DIGEST]
    ours = (same or digests or list(range(len(before))))[:1]
    new = before[ours[0]] | identifier if ours else identifier
    Step("identifier", repeats=True).splice(observation, ours, [new])


def _identity(observation: JsonObject) -> JsonObject | None:
    """The sender's own identifier; none where a digest of ours stands for it."""
    found = observation.get("identifier", [])
    if not found or any(one.get("system") == SESSION_DIGEST for one in found):
        return None
    return {name: found[0][name] for name in ("system", "value") if name in found[0]}


def _set_based_on(observation: JsonObject, key: str | None, link: RegimenLink | None) -> None:
    new: JsonObject | None = None
    if key is not None and link is not None:
        identifier = {"system": REGIMEN, "value": f"{link.programme}/{key}"}
        new = {"reference": link.reference, "identifier": identifier}
    elif key is not None:
        new = {"type": "ServiceRequest", "display": key}
    _set_own(Step("basedOn", repeats=True, matches=_is_regimen), observation, new)


def regimen_key(observation: JsonObject, resolve: Resolve | None) -> str | None:
    """The key of the regimen that a session belongs to, as far as it is told or can be asked."""
    item: JsonObject = next(filter(_is_regimen, observation.get("basedOn", [])), {})
    identifier = item.get("identifier", {})
    if identifier.get("system") == REGIMEN:
        return str(identifier["value"]).partition("/")[2]
    if "reference" in item and resolve and (regimen := resolve(item["reference"])):
        return tables()["regimen"].read(regimen, Context()).get("key")
    return item.get("display")


def _is_regimen(item: JsonObject) -> bool:
    return (
        str(item.get("reference", "")).startswith("ServiceRequest/")
        or item.get("type") == "ServiceRequest"
        or item.get("identifier", {}).get("system") == REGIMEN
    )


def _set_performer(observation: JsonObject, performer: str | None, subject: str) -> None:
    known: dict[str | None, JsonObject] = {
        "child": {"reference": subject, "type": "Patient"},
        "parent": {"type": "RelatedPerson", "display": "parent"},
    }
    ours = Step("performer", repeats=True, matches=lambda item: _performer_of(item) is not None)
    _set_own(ours, observation, known.get(performer))


def performer_in(observation: JsonObject) -> str | None:
    """Who did the session, as far as it is the child or a parent."""
    found = (_performer_of(item) for item in observation.get("performer", []))
    return next((performer for performer in found if performer), None)


def _performer_of(item: JsonObject) -> str | None:
    kind = item.get("type") or str(item.get("reference", "")).partition("/")[0]
    return {"Patient": "child", "RelatedPerson": "parent"}.get(kind)


def _set_own(step: Step, observation: JsonObject, new: JsonObject | None) -> None:
    """Our one reference among those of others, which stay where they are."""
    old = step.find(observation)
    step.place(observation, new and pointing(old, new))
