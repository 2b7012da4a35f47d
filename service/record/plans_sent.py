"""Plans sent as resources: judged like documents, and one child to a programme.

A document is judged before it becomes resources. What comes over the FHIR interface in any order
and in parts is judged as it would stand: after the writes, before they are committed, every plan
of a programme that they speak of. Nothing is raised for a plan that cannot be read as a document
yet, nor for one that has ended or was a mistake: nobody will follow it any more.
"""

from collections.abc import Callable, Iterator, Sequence

from service.fhir.json import JsonObject, read
from service.fhir.outcome import Finding
from service.fhir.search.terms import Condition
from service.mapping.canonical import PROGRAMME
from service.mapping.errors import UnmappableError
from service.mapping.programme import from_resources
from service.mapping.references import Resolve, target_of
from service.programme.checks import Policy, check_programme
from service.record.changes import Change, Create, Patch, Update, Written
from service.record.errors import Invalid
from service.record.problems import problem_of
from service.record.programme_people import known_child
from service.store.contract import Reader

Judge = Callable[[Reader, Sequence[Written]], None]

_HOLDERS = {
    "CarePlan": "identifier",
    "ServiceRequest": "requisition",
    "DeviceRequest": "groupIdentifier",
}
"""Where each type names the programme that it belongs to."""
_NEVER = frozenset(
    {
        "unknown-technique", "impossible-number", "impossible-date", "band-upside-down",
        "end-before-start", "unknown-zone", "zone-order", "two-doses", "dose-part-missing",
        "build-up-above-target", "setting-off-scale", "schedule-too-often",
        "schedule-times-and-frequency", "schedule-frequency-of-what",
    }
)  # fmt: skip
"""Refusals that no part of a plan still to come could mend."""
_TO_FOLLOW = frozenset({"draft", "active", "on-hold"})


def judge_of(changes: Sequence[Change], policy: Policy) -> Judge | None:
    """A last look before ``changes`` are committed; None when they speak of no programme.

    The function takes the store as it would be and what the changes led to. It raises Invalid with
    every refusal and every caution that no override accepts, and for a programme whose plans are
    about more than one child.
    """
    places: dict[str, str] = {}
    for change in changes:
        if isinstance(change, (Create, Update)):
            _note(places, change.resource, change)
    patches = any(isinstance(change, Patch) and change.type in _HOLDERS for change in changes)
    if not places and not patches:
        return None

    def check(reader: Reader, written: Sequence[Written]) -> None:
        named = dict(places)
        for change, one in zip(changes, written, strict=True):
            if isinstance(change, Patch):
                _note(named, read(one.body), change)
        found = [
            finding
            for programme, place in named.items()
            for finding in judged(reader, programme, policy, place)
        ]
        if found:
            raise Invalid(found)

    return check


def _note(places: dict[str, str], resource: JsonObject, change: Change) -> None:
    for programme in programmes_of(resource):
        places.setdefault(programme, change.place or str(resource["resourceType"]))


def programmes_of(resource: JsonObject) -> Iterator[str]:
    """Ids of the programmes that a resource says it belongs to, well formed or not yet checked."""
    named = resource.get(_HOLDERS.get(str(resource.get("resourceType")), ""))
    for one in named if isinstance(named, list) else [named]:
        if isinstance(one, dict) and one.get("system") == PROGRAMME:
            value = one.get("value")
            if isinstance(value, str):
                yield value


def judged(reader: Reader, programme: str, policy: Policy, place: str) -> Iterator[Finding]:
    """What forbids the plans of one programme as ``reader`` sees them."""
    identity = (PROGRAMME, programme)
    holders = reader.holders("CarePlan", [identity]).get(identity, [])
    versions = reader.current([("CarePlan", id_) for id_ in holders]).values()
    plans: list[JsonObject] = [read(version.body) for version in versions]
    meant = [plan for plan in plans if plan.get("status") != "entered-in-error"]
    if len({target_of(plan, "subject") for plan in meant}) > 1:
        told = f"All plans of programme {programme} are about one child; another one has plans."
        yield Finding("error", "business-rule", place, told)
    for plan in meant:
        if plan.get("status") in _TO_FOLLOW:
            yield from _faults(reader, plan, policy, place)


def _faults(reader: Reader, plan: JsonObject, policy: Policy, place: str) -> Iterator[Finding]:
    resolve = _resolver(reader)
    try:
        document = from_resources(plan, resolve).to_json()
    except UnmappableError:
        return
    patient = target_of(plan, "subject")
    of_child = Condition.refers_to("subject", "Patient", patient.removeprefix("Patient/"))
    conditions, responses = (
        [read(one.body) for one in reader.search(type_, [of_child]).versions]
        for type_ in ("Condition", "QuestionnaireResponse")
    )
    screen = document.get("screen", {}).get("reference")
    known = known_child(resolve(patient) or {}, conditions, responses, screen)
    for problem in check_programme(document, policy=policy, known=known).problems:
        if problem.kind == "caution" or problem.key in _NEVER:
            told = problem_of(problem)
            where = f"{problem.path} of {document['id']}"
            yield Finding(told.severity, told.code, place, f"{where}: {told.diagnostics}", told.key)


def _resolver(reader: Reader) -> Resolve:
    def resolve(reference: str) -> JsonObject | None:
        type_, _, id_ = reference.partition("/")
        found = reader.current([(type_, id_)]).get((type_, id_))
        resource: JsonObject | None = None if not found or found.deleted else read(found.body)
        return resource

    return resolve
