"""Whether a child's data may be in a research release: a pure question to Consent resources.

Whatever is unclear means no. A date without a zone holds only where it holds in every zone; a
birth date without a day, only where every day of it agrees.
"""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import UTC, datetime, time
from typing import Literal

from service.fhir.codings import codings
from service.fhir.json import JsonObject
from service.mapping.canonical import code_system
from service.mapping.interpretable import why_not_interpretable
from service.programme.moments import FIRST_ZONE, LAST_ZONE, earliest, latest
from service.registry.ages import has_surely_reached, may_have_reached

_SCOPE = "http://terminology.hl7.org/CodeSystem/consentscope"
_REASON = "http://terminology.hl7.org/CodeSystem/v3-ActReason"
_UNDERSTOOD = frozenset({"id", "extension", "type", "period", "purpose", "actor"})

Gap = Literal[
    "other-consent",  # not a research consent of ours: says nothing
    "not-active",
    "refused",  # a decision against
    "not-understood",  # limits or exceptions that we cannot keep
    "not-in-force",
    "other-recipient",
    "past-age-of-consent",
]
"""Why a Consent does not let a child's data into a release."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Terms:
    """What whoever runs the service decides about consent.

    From ``age_of_consent`` years on only one's own consent counts (16 is common practice; local law
    wins). ``recipient`` is the reference of the registry that releases are for: a consent that
    names recipients holds for them only.
    """

    age_of_consent: int = 16
    recipient: str | None = None


def has_consent(
    consents: Iterable[JsonObject], birth_date: str | None, at: datetime, terms: Terms
) -> bool:
    """Whether some consent of one child holds at the aware instant ``at``, and none refuses."""
    gaps = [consent_gap(consent, birth_date, at, terms) for consent in consents]
    return None in gaps and "refused" not in gaps


def consent_gap(
    consent: JsonObject, birth_date: str | None, at: datetime, terms: Terms
) -> Gap | None:
    """Why ``consent`` does not hold at ``at``; None where it holds."""
    if not _is_ours(consent):
        return "other-consent"
    if consent.get("status") != "active":
        return "not-active"
    provision = consent.get("provision", {})
    if provision.get("type") == "deny":
        return "refused"
    if not _is_understood(consent, provision):
        return "not-understood"
    if not _covers(provision.get("period", {}), at):
        return "not-in-force"
    if not _is_for(provision.get("actor", []), terms.recipient):
        return "other-recipient"
    if not _giver_may_decide(consent, birth_date, at, terms.age_of_consent):
        return "past-age-of-consent"
    return None


def _is_ours(consent: JsonObject) -> bool:
    ours = (code_system("airway-consent"), "adherence-research")
    is_research = (_SCOPE, "research") in codings([consent.get("scope", {})])
    return is_research and ours in codings(consent.get("category", []))


def _is_understood(consent: JsonObject, provision: JsonObject) -> bool:
    """A permission for research without limits or exceptions that this program cannot keep."""
    purposes = {(part.get("system"), part.get("code")) for part in provision.get("purpose", [])}
    return (
        provision.get("type") == "permit"
        and provision.keys() <= _UNDERSTOOD
        and (_REASON, "HRESCH") in purposes
        and why_not_interpretable(consent) is None
    )


def _is_for(actors: Iterable[JsonObject], recipient: str | None) -> bool:
    named = [actor.get("reference", {}).get("reference") for actor in actors]
    return not named or (recipient is not None and recipient in named)


def _giver_may_decide(
    consent: JsonObject, birth_date: str | None, at: datetime, age_of_consent: int
) -> bool:
    """A parent's consent ends when the child may have come of age; the child's own begins then."""
    if birth_date is None:
        return False
    child = consent.get("patient", {}).get("reference")
    givers = [giver.get("reference") for giver in consent.get("performer", [])]
    given = earliest(_day(consent["dateTime"])) if "dateTime" in consent else None
    by_the_child = child is not None and child in givers
    if by_the_child and given and has_surely_reached(age_of_consent, birth_date, given):
        return True
    by_another = not givers or any(giver != child for giver in givers)
    return by_another and not may_have_reached(
        age_of_consent, birth_date, (at.astimezone(UTC) + FIRST_ZONE).date()
    )


def _covers(period: JsonObject, at: datetime) -> bool:
    """Whether ``at`` is in the period wherever on earth it was written; open at its end only."""
    start, end = period.get("start"), period.get("end")
    if start is None or at < _latest_start(start):
        return False
    return end is None or at <= _earliest_end(end)


def _latest_start(text: str) -> datetime:
    if "T" in text:
        return datetime.fromisoformat(text)
    return datetime.combine(earliest(text), time.min, UTC) + LAST_ZONE


def _earliest_end(text: str) -> datetime:
    if "T" in text:
        return datetime.fromisoformat(text)
    return datetime.combine(latest(text), time.max, UTC) - FIRST_ZONE


def _day(text: str) -> str:
    """The date of a dateTime, as it is written."""
    return text.partition("T")[0]
