"""A programme document as FHIR resources, and the resources as a document.

Fields and elements meet in the tables. Here is what no table says: which resources a document
becomes, and which of them points to which.
"""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field

from service.fhir.codings import codings
from service.fhir.json import JsonObject
from service.mapping.canonical import DEVICE, GOAL, code_system
from service.mapping.converters import Context
from service.mapping.documents import built
from service.mapping.errors import UnmappableError
from service.mapping.interpretable import why_not_interpretable
from service.mapping.narrative import narrative
from service.mapping.parties import Ids, PartyMaker, read_party
from service.mapping.path import Step
from service.mapping.references import (
    Resolve,
    carried,
    pointing,
    reference_of,
    relink,
    target_of,
)
from service.mapping.screens import read_screen, screen_entry
from service.mapping.tables import tables
from service.programme.plan import Programme

REVIEW = "review"
_PLAN_PARTS = code_system("airway-plan-part")
_OURS = frozenset({"ServiceRequest", "DeviceRequest", "Goal"})

Parts = Mapping[str, JsonObject]
"""Resources by the key that the document gives them, in the document's order."""


@dataclass(frozen=True, slots=True)
class ProgrammeResources:
    """One version of a plan.

    ``parties`` are the child, team, conditions and answers that had to be made; ``screen`` is the
    reference to the answers to the safety screen, empty where there is none.
    """

    care_plan: JsonObject
    regimens: Parts
    devices: Parts = field(default_factory=dict)
    review: JsonObject | None = None
    goals: Parts = field(default_factory=dict)
    parties: tuple[JsonObject, ...] = ()
    screen: str = ""

    def of_version(self) -> Iterator[JsonObject]:
        """What belongs to this version alone: plan, regimens, devices, review, goals."""
        yield self.care_plan
        yield from self.regimens.values()
        yield from self.devices.values()
        if self.review:
            yield self.review
        yield from self.goals.values()

    def activities(self) -> dict[str, str]:
        """Name of a part to its reference, in the order of the plan's activities."""
        named = {f"regimen/{key}": part for key, part in self.regimens.items()}
        named |= {f"device/{key}": part for key, part in self.devices.items()}
        named |= {REVIEW: self.review} if self.review else {}
        return {name: reference_of(part) for name, part in named.items()}


def to_resources(
    programme: Programme, *, ids: Ids, earlier: ProgrammeResources | None = None
) -> ProgrammeResources:
    """The resources of ``programme``, which must have an id.

    ``ids`` gives each resource its logical id: parties by ``party_key``, regimens and the rest by
    ``<part>/<key>`` (``regimen/opep``), the plan by the programme's id. Everything in ``earlier``
    that no row of the tables speaks of is carried over. Raises UnmappableError.
    """
    return _Writer(programme, ids, earlier).resources()


def from_resources(care_plan: JsonObject, resolve: Resolve) -> Programme:
    """The document of a plan. ``resolve`` finds what the plan refers to.

    Raises UnmappableError when a part is missing, may not be interpreted, or says what a
    document cannot hold.
    """
    return document_of(gather(care_plan, resolve), resolve)


def gather(care_plan: JsonObject, resolve: Resolve) -> ProgrammeResources:
    """The resources of a plan, found by its references. Raises UnmappableError."""
    regimens: dict[str, JsonObject] = {}
    devices: dict[str, JsonObject] = {}
    review = None
    for at, activity in enumerate(care_plan.get("activity", [])):
        place = f"CarePlan.activity[{at}].reference"
        part = _found(target_of(activity, "reference"), resolve, place)
        if part is None or _is_mistaken(part, care_plan):
            continue
        if _is_part(part, "regimen"):
            regimens[_key(part, "regimen", place)] = part
        elif _is_part(part, REVIEW):
            review = part
        elif part["resourceType"] == "DeviceRequest" and _has_identifier(part, DEVICE):
            devices[_key(part, "device", place)] = part
    goals = {}
    for at, goal in enumerate(care_plan.get("goal", [])):
        place = f"CarePlan.goal[{at}]"
        part = _found(target_of(goal), resolve, place)
        if part is not None and _has_identifier(part, GOAL):
            goals[_key(part, "goal", place)] = part
    screen = target_of(screen_entry(care_plan, resolve) or {})
    return ProgrammeResources(care_plan, regimens, devices, review, goals, screen=screen)


def document_of(resources: ProgrammeResources, resolve: Resolve) -> Programme:
    """The document of resources that are at hand. Raises UnmappableError."""
    for resource in resources.of_version():
        if reason := why_not_interpretable(resource):
            raise UnmappableError(_place_of(reason), reason)
    plan = resources.care_plan
    context = _context(resources, {})
    document = tables()["careplan"].read(plan, context)
    document["child"] = read_party("child", plan.get("subject"), resolve, "CarePlan.subject")
    document["author"] = read_party("professional", plan.get("author"), resolve, "CarePlan.author")
    team = next(iter(plan.get("careTeam", [])), None)
    document["team"] = read_party("team", team, resolve, "CarePlan.careTeam[0]")
    document["diagnosis"] = [
        read_party("diagnosis", condition, resolve, f"CarePlan.addresses[{at}]")
        for at, condition in enumerate(plan.get("addresses", []))
    ]
    document["regimen"] = _read_parts("regimen", resources.regimens, context)
    document["device"] = _read_parts("device", resources.devices, context)
    document["goal"] = [
        goal | {"own": _is_own(resource, plan)}
        for goal, resource in zip(
            _read_parts("goal", resources.goals, context), resources.goals.values(), strict=True
        )
    ]
    if resources.review:
        document["review"] = tables()[REVIEW].read(resources.review, context)
    document["screen"] = read_screen(screen_entry(plan, resolve), resolve)
    return built(Programme, document)


_GOING_ON = frozenset({"active", "on-hold"})


def ended(resources: ProgrammeResources) -> Iterator[JsonObject]:
    """Copies of a version's resources, completed because another version takes their place.

    What is not going on (a draft, what was revoked, an aim already reached) stays as it is and
    is left out. Nothing but the status changes.
    """
    parts = {
        "careplan": [resources.care_plan],
        "regimen": [*resources.regimens.values()],
        "device": [*resources.devices.values()],
        REVIEW: [resources.review] if resources.review else [],
        "goal": [*resources.goals.values()],
    }
    for part, members in parts.items():
        for resource in members:
            if resource.get("lifecycleStatus", resource.get("status")) in _GOING_ON:
                yield tables()[part].with_status(resource, "completed")


class _Writer:
    """One document on its way to resources."""

    def __init__(self, programme: Programme, ids: Ids, earlier: ProgrammeResources | None) -> None:
        if programme.id is None or "/" in programme.id:
            raise UnmappableError("Programme.id", "an id without / is expected")
        self._document = programme.to_json()
        self._ids = ids
        self._earlier = earlier
        self._parties = PartyMaker(ids)

    def resources(self) -> ProgrammeResources:
        document, earlier = self._document, self._earlier
        child = self._parties.child(document.get("child", {}), "Programme.child")
        author = self._parties.professional(document.get("author", {}), "Programme.author")
        devices = self._parts("device", earlier.devices if earlier else {}, Context(document))
        links = {key: reference_of(device) for key, device in devices.items()}
        context = _context(earlier, document, links)
        self._refuse_unknown_devices(links)
        regimens = self._parts("regimen", earlier.regimens if earlier else {}, context)
        goals = self._parts("goal", earlier.goals if earlier else {}, context)
        review = self._review(earlier.review if earlier else None, context)
        for request in (*regimens.values(), *devices.values(), *([review] if review else [])):
            request["subject"] = pointing(request.get("subject"), child)
            request["requester"] = pointing(request.get("requester"), author)
        for goal, part in zip(document.get("goal", []), goals.values(), strict=True):
            part["subject"] = pointing(part.get("subject"), child)
            part["expressedBy"] = pointing(
                part.get("expressedBy"), child if goal["own"] else author
            )
        plan = self._plan(child, author, context)
        made = ProgrammeResources(plan, regimens, devices, review, goals)
        self._link(plan, made)
        screen = self._screen(plan, child)
        parties = tuple(self._parties.made.values())
        return ProgrammeResources(plan, regimens, devices, review, goals, parties, screen)

    def _plan(self, child: JsonObject, author: JsonObject, context: Context) -> JsonObject:
        document = self._document
        before = self._earlier.care_plan if self._earlier else None
        plan = carried("CarePlan", self._ids("CarePlan", document["id"]), before)
        plan["text"] = narrative(document)
        tables()["careplan"].write(plan, document, context)
        plan["subject"] = pointing(plan.get("subject"), child)
        plan["author"] = pointing(plan.get("author"), author)
        team = self._parties.team(document.get("team", {}), child, "Programme.team")
        teams = plan.get("careTeam", [])
        plan["careTeam"] = [pointing(teams[0] if teams else None, team), *teams[1:]]
        self._address(plan, child)
        return plan

    def _address(self, plan: JsonObject, child: JsonObject) -> None:
        before = plan.pop("addresses", [])
        addresses = []
        for at, diagnosis in enumerate(self._document.get("diagnosis", [])):
            new = self._parties.diagnosis(diagnosis, child, f"Programme.diagnosis[{at}]")
            same = [old for old in before if target_of(old) == new["reference"]][:1]
            before = [old for old in before if not any(old is one for one in same)]
            addresses.append(pointing(same[0] if same else None, new))
        if addresses:
            plan["addresses"] = addresses

    def _screen(self, plan: JsonObject, child: JsonObject) -> str:
        """Refers to the screen among what others refer to; says to which."""
        former = self._earlier.screen if self._earlier else ""
        screen, new = self._document.get("screen"), None
        if screen is not None:
            new = self._parties.screen(screen, child, "Programme.screen")
        ours = Step(
            "supportingInfo", True, matches=lambda item: former != "" and target_of(item) == former
        )
        ours.place(plan, new and pointing(ours.find(plan), new))
        return target_of(new or {})

    def _link(self, plan: JsonObject, made: ProgrammeResources) -> None:
        earlier = self._earlier
        former = {ref: name for name, ref in earlier.activities().items()} if earlier else {}
        relink(plan, "activity", former, made.activities(), inner="reference")
        goals_before = earlier.goals if earlier else {}
        relink(
            plan,
            "goal",
            {reference_of(goal): key for key, goal in goals_before.items()},
            {key: reference_of(goal) for key, goal in made.goals.items()},
        )

    def _parts(self, part: str, before: Parts, context: Context) -> dict[str, JsonObject]:
        table = tables()[part]
        made = {}
        for item in self._document.get(part, []):
            key = item["key"]
            id_ = self._ids(table.resource, f"{part}/{key}")
            resource = carried(table.resource, id_, before.get(key))
            made[key] = table.write(resource, item, context)
        return made

    def _review(self, before: JsonObject | None, context: Context) -> JsonObject | None:
        if "review" not in self._document:
            return None
        table = tables()[REVIEW]
        resource = carried(table.resource, self._ids(table.resource, REVIEW), before)
        return table.write(resource, self._document["review"], context)

    def _refuse_unknown_devices(self, links: Mapping[str, str]) -> None:
        for at, regimen in enumerate(self._document["regimen"]):
            if regimen.get("device", next(iter(links), None)) not in links and "device" in regimen:
                raise UnmappableError(
                    f"Programme.regimen[{at}].device", f"there is no device {regimen['device']!r}"
                )


def _place_of(reason: str) -> str:
    """The path at the beginning of a reason why something may not be interpreted."""
    return reason.partition(":")[0]


def _context(
    earlier: ProgrammeResources | None, document: JsonObject, links: Mapping[str, str] | None = None
) -> Context:
    former = {
        key: reference_of(device) for key, device in (earlier.devices if earlier else {}).items()
    }
    if links is None:
        return Context(document, former)
    return Context(document, links, frozenset(former.values()))


def _read_parts(part: str, resources: Parts, context: Context) -> list[JsonObject]:
    return [tables()[part].read(resource, context) for resource in resources.values()]


def _found(target: str, resolve: Resolve, place: str) -> JsonObject | None:
    """What an activity or goal refers to; what cannot be ours need not be found."""
    if target.partition("/")[0] not in _OURS:
        return None
    resource = resolve(target)
    if resource is None:
        raise UnmappableError(place, f"{target} is not in the record")
    return resource


def _is_mistaken(part: JsonObject, plan: JsonObject) -> bool:
    """A part entered in error is no part of a plan that itself stands."""
    return "entered-in-error" == part.get("status") != plan.get("status")


def _key(resource: JsonObject, part: str, place: str) -> str:
    identified = {"identifier": resource.get("identifier", [])}  # where every part has its key
    key = tables()[part].read(identified, Context()).get("key")
    if key is None:
        raise UnmappableError(place, f"{reference_of(resource)} has no identifier of a {part}")
    return str(key)


def _is_part(resource: JsonObject, code: str) -> bool:
    categories = codings(resource.get("category", []))
    return resource["resourceType"] == "ServiceRequest" and (_PLAN_PARTS, code) in categories


def _has_identifier(resource: JsonObject, system: str) -> bool:
    return any(one.get("system") == system for one in resource.get("identifier", []))


def _is_own(goal: JsonObject, plan: JsonObject) -> bool:
    return target_of(goal.get("expressedBy", {})) == target_of(plan.get("subject", {}))
