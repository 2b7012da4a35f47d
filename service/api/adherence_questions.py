"""What an operation on adherence is asked: parameters in the address and in a Parameters body."""

from collections.abc import Collection, Sequence
from datetime import date, datetime

from service.api.bodies import object_in
from service.api.headers import FHIR_TYPES, check_accept, check_content_type
from service.api.outcomes import refusal
from service.api.parameters import Parameters
from service.api.queries import Pair, day_in, instant_in, only, pairs_of
from service.api.served import Call
from service.fhir.outcome import shown
from service.programme.catalogue import TECHNIQUES
from service.record.cohorts import Asked

SUBJECT, SUBJECT_LIST, POPULATION = "subject", "subject-list", "population"
"""Values of ``reportType`` (R4 OperationDefinition Measure-evaluate-measure)."""


async def pairs_in(
    call: Call, names: Collection[str], offered: frozenset[str] = FHIR_TYPES
) -> list[Pair]:
    """The parameters of a call, all of them among ``names``.

    Raises 400 for others, 406 where none of ``offered`` is accepted, 415 for a body that is not
    JSON.
    """
    check_accept(call.request, offered)
    pairs = [pair for pair in pairs_of(call.request) if not pair[0].startswith("_")]
    body = await call.request.body()
    if body:
        check_content_type(call.request)
        given = Parameters(object_in(body, call.services.settings.max_body_bytes))
        pairs += [(name, given.text(name) or "") for name in given.names]
    for name, _ in pairs:
        if name not in names:
            told = f"Found {shown(name)}, expected one of: {', '.join(names)}."
            raise refusal(400, told, code="not-supported", expression=f"http.{name}"[:80])
    return pairs


def asked_in(pairs: Sequence[Pair], now: datetime) -> Asked:
    """Days, knowledge date and technique. Raises 400 for those that make no sense."""
    known_at = instant_in(pairs, "knownAt") or now
    if known_at > now:
        raise refusal(400, "What will be known later is not known yet.", expression="http.knownAt")
    first, last = _needed_day(pairs, "start"), _needed_day(pairs, "end")
    return Asked(first, last, known_at, now, technique_in(pairs))


def technique_in(pairs: Sequence[Pair]) -> str | None:
    """The technique that is asked about. Raises 400 for a code that is none."""
    technique = only(pairs, "technique")
    if technique is not None and technique not in TECHNIQUES:
        told = f"Found {shown(technique)}, expected one of: {', '.join(TECHNIQUES)}."
        raise refusal(400, told, code="code-invalid", expression="http.technique")
    return technique


def chosen(pairs: Sequence[Pair], name: str, offered: Sequence[str]) -> str:
    """One of several codes, the first where none is named. Raises 400 for another."""
    found = only(pairs, name) or offered[0]
    if found not in offered:
        told = f"Found {shown(found)}, expected one of: {', '.join(offered)}."
        raise refusal(400, told, code="code-invalid", expression=f"http.{name}")
    return found


def _needed_day(pairs: Sequence[Pair], name: str) -> date:
    day = day_in(pairs, name)
    if day is None:
        told = f"{name} must be a day, for example 2031-05-01."
        raise refusal(400, told, code="required", expression=f"http.{name}")
    return day
