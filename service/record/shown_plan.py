"""One version of a plan as it may be shown to people: with names, and how it stands now."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any, TypeVar

from service.mapping.errors import UnmappableError
from service.mapping.parties import described
from service.mapping.references import Resolve
from service.programme.adherence import History
from service.programme.adherence.timeline import Timeline
from service.programme.plan import Child, Diagnosis, Professional, Programme, Team
from service.programme.standing import Standing, standing_of
from service.programme.today import falls_on
from service.programme.zones import zone
from service.record.adherence import scope_of_care_plan
from service.record.changes import Actor
from service.record.child_history import plans_and_pauses
from service.record.errors import Invalid
from service.record.programme_versions import OpenedVersion, ProgrammeVersions
from service.record.record import Record

PartyT = TypeVar("PartyT", Child, Professional, Team, Diagnosis)


@dataclass(frozen=True, slots=True)
class ShownVersion:
    """A version: its number, from 1, and its document with everybody named."""

    number: int
    programme: Programme


@dataclass(frozen=True, slots=True)
class ShownPlan:
    """What is asked about, and around it.

    ``standing`` speaks of plans by the ids of their CarePlans. ``today`` is the child's day, and
    ``for_today`` says by the key of a regimen whether it falls on it, where its schedule tells.
    ``versions`` are all of the programme that can be read, oldest first.
    """

    asked: ShownVersion
    standing: Standing
    today: date
    for_today: Mapping[str, bool]
    coming: ShownVersion | None
    versions: Sequence[ShownVersion]


def shown_plan(record: Record, caller: Actor, care_plan_id: str, now: datetime) -> ShownPlan:
    """A CarePlan for people to see.

    Raises NotFound, Gone; Invalid for one that is no version of a programme or whose standing
    cannot be worked out.
    """
    scope = scope_of_care_plan(record, caller, care_plan_id)
    versions = ProgrammeVersions(record, caller, str(scope.programme))
    history = plans_and_pauses(record, caller, scope.patient_id, now, str(scope.programme))
    shown = dict(_readable(versions, care_plan_id))
    try:
        standing = standing_of(history, care_plan_id, now, zone)
    except KeyError:
        raise Invalid.at("CarePlan", _why_not(history, care_plan_id)) from None
    timeline = Timeline(history, now, zone)
    today = timeline.calendar.day_of(now)
    own = next((plan for plan in timeline.plans if plan.known.id == care_plan_id), None)
    return ShownPlan(
        asked=shown[care_plan_id],
        standing=standing,
        today=today,
        for_today=falls_on(own, timeline.calendar, today) if own else {},
        coming=shown.get(standing.coming or ""),
        versions=tuple(shown.values()),
    )


def _readable(versions: ProgrammeVersions, asked: str) -> Iterator[tuple[str, ShownVersion]]:
    """By the id of its CarePlan; the one asked about must be readable, the others need not."""
    for version in versions.all:
        id_ = version.plan.partition("/")[2]
        try:
            yield id_, _with_names(versions.open(version))
        except Invalid:
            if id_ == asked:
                raise


def _why_not(history: History, id_: str) -> str:
    """Why the plan is not among those that can be computed with."""
    reasons = (one.reason for one in history.left_out if one.id.endswith(f"/{id_}"))
    return f"This plan cannot be shown: {next(reasons, 'it is not known')}."


def _with_names(opened: OpenedVersion) -> ShownVersion:
    """A document that only refers to people gets what the record holds of them."""
    programme, resolve = opened.programme, opened.resolver
    named: dict[str, Any] = {
        "child": _named("child", programme.child, resolve),
        "author": _named("professional", programme.author, resolve),
        "team": _team(programme.team, resolve),
        "diagnosis": tuple(_named("diagnosis", one, resolve) for one in programme.diagnosis),
    }
    return ShownVersion(opened.version.number, programme.model_copy(update=named))


def _team(team: Team, resolve: Resolve) -> Team:
    named = _named("team", team, resolve)
    members = tuple(_named("professional", one, resolve) for one in named.member)
    return named.model_copy(update={"member": members})


def _named(part: str, party: PartyT, resolve: Resolve) -> PartyT:
    if party.reference is None:
        return party
    try:
        found = described(part, party.reference, resolve)
    except UnmappableError:
        found = {}
    return type(party).model_validate(found) if found else party
