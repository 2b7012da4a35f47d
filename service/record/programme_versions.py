"""The versions of one programme, as the record has them: each is a CarePlan of its own."""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from datetime import date, datetime

from service.fhir.json import JsonObject, read
from service.fhir.search.terms import Condition
from service.mapping.canonical import PROGRAMME
from service.mapping.converters import Context
from service.mapping.errors import UnmappableError
from service.mapping.programme import ProgrammeResources, document_of, gather
from service.mapping.tables import tables
from service.programme.adherence.history import History, Known
from service.programme.adherence.timeline import Timeline
from service.programme.moments import is_before
from service.programme.plan import Programme
from service.programme.zones import zone
from service.record.changes import Actor
from service.record.errors import Conflict, Invalid, NotFound
from service.record.problems import unmappable
from service.record.record import Record
from service.record.resolver import Resolver
from service.store.contract import Reader, Version

_NOT_MEANT = frozenset({"draft", "entered-in-error"})


@dataclass(frozen=True, slots=True)
class PlanVersion:
    """One version of a programme. ``number`` counts from 1; ``plan`` is ``CarePlan/id``.

    ``known_since`` is when the record learnt of it, not when it begins.
    """

    number: int
    plan: str
    start: date | datetime | None
    status: str
    change_reason: str | None
    known_since: datetime
    stored: Version

    @property
    def is_meant(self) -> bool:
        """Whether it ever was a prescription: neither a draft nor entered in error."""
        return self.status not in _NOT_MEANT


@dataclass(frozen=True, slots=True)
class OpenedVersion:
    """A version with everything that belongs to it. ``tag`` changes when any of it changes."""

    version: PlanVersion
    programme: Programme
    resources: ProgrammeResources
    resolver: Resolver
    tag: str


class ProgrammeVersions:
    """All versions of the programme with that id, oldest first. Raises NotFound if none."""

    def __init__(self, record: Record, caller: Actor, id_: str) -> None:
        self._record = record
        self._caller = caller
        self._id = id_
        self.all = _versions(record, caller, id_)
        if not self.all:
            raise NotFound.at("", f"There is no programme {id_}.")

    def number(self, number: int) -> PlanVersion:
        """The version of that number. Raises NotFound."""
        if not 1 <= number <= len(self.all):
            raise NotFound.at("", f"The programme has no version {number}.")
        return self.all[number - 1]

    def latest(self) -> PlanVersion:
        """The version that a change builds upon: the last one that is not in error."""
        standing = [one for one in self.all if one.status != "entered-in-error"]
        return (standing or self.all)[-1]

    def newest(self) -> PlanVersion:
        """The version that was written last."""
        return self.all[-1]

    def in_force(self, now: datetime) -> OpenedVersion:
        """The version in force; where none is, the latest. Raises Invalid."""
        opened = [self.open(one) for one in self.all if one.is_meant]
        known = [
            Known(
                one.version.plan, one.version.stored.version, one.version.known_since, one.programme
            )
            for one in opened
        ]
        plan = Timeline(History(plans=known), now, zone).plan_at(now)
        if plan is None:
            return self.open(self.latest())
        return next(one for one in opened if one.version.plan == plan.known.id)

    def open(self, version: PlanVersion) -> OpenedVersion:
        """The version's document and resources. Raises Invalid when it cannot be shown as one."""
        resolver = Resolver(self._record, self._caller)
        care_plan = resolver.keep(version.stored)
        try:
            resources = gather(care_plan, resolver)
            programme = document_of(resources, resolver)
        except UnmappableError as error:
            raise Invalid([unmappable(error)]) from None
        return OpenedVersion(version, programme, resources, resolver, resolver.tag())

    def going_on(self) -> Iterator[OpenedVersion]:
        """Versions that have not ended: active or on hold."""
        return (self.open(one) for one in self.all if one.status in ("active", "on-hold"))

    def latest_start(self) -> date | datetime | None:
        """The latest start of any version that is meant: an earlier one would not win over it."""
        latest: date | datetime | None = None
        for start in (version.start for version in self.all if version.is_meant):
            if start is not None and (latest is None or is_before(latest, start)):
                latest = start
        return latest

    def still_all(self, successor: str) -> Callable[[Reader, object], None]:
        """A last look before a successor is committed: nobody else wrote one meanwhile.

        The function raises Conflict.
        """
        identity = (PROGRAMME, self._id)
        expected = {one.plan for one in self.all} | {successor}

        def check(reader: Reader, _: object) -> None:
            holders = reader.holders("CarePlan", [identity]).get(identity, [])
            if {f"CarePlan/{id_}" for id_ in holders} != expected:
                raise Conflict.at("", "Somebody else has changed the programme meanwhile.")

        return check


def _versions(record: Record, caller: Actor, id_: str) -> Sequence[PlanVersion]:
    condition = Condition.has_token("identifier", PROGRAMME, id_)
    current = record.search(caller, "CarePlan", [condition]).versions
    keys = [(version.type, version.id) for version in current]
    first: dict[str, Version] = {}
    for version in record.versions(caller, keys) if keys else ():
        first.setdefault(version.id, version)
    order = {id_: at for at, id_ in enumerate(first)}
    known = sorted(current, key=lambda version: order[version.id])
    return [
        _version(number, version, first[version.id].instant)
        for number, version in enumerate(known, start=1)
    ]


def _version(number: int, stored: Version, known_since: datetime) -> PlanVersion:
    care_plan: JsonObject = read(stored.body)
    document = tables()["careplan"].read(care_plan, Context())
    return PlanVersion(
        number,
        f"CarePlan/{stored.id}",
        _moment(document.get("start")),
        str(document.get("status")),
        document.get("changeReason"),
        known_since,
        stored,
    )


def _moment(text: str | None) -> date | datetime | None:
    if text is None:
        return None
    return datetime.fromisoformat(text) if "T" in text else _day(text)


def _day(text: str) -> date | None:
    """A year or a month is no day on which a plan could begin."""
    return date.fromisoformat(text) if len(text) == len("2031-05-01") else None
