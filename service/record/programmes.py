"""Programme documents into the record and out of it.

A new programme becomes its resources in one transaction. A changed one becomes a new CarePlan
with new requests that replaces the one before, which is completed, its period untouched. Nothing
is stored when anything is wrong, and everything that is wrong is told at its place.
"""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from service.fhir.json import write
from service.fhir.outcome import Finding
from service.fhir.primitives import CHECKS
from service.mapping.canonical import PROGRAMME
from service.mapping.errors import UnmappableError
from service.mapping.programme import ProgrammeResources, to_resources
from service.mapping.references import reference_of
from service.programme.checks import Checked, Policy, Problem, check_programme
from service.programme.plan import Programme
from service.record.changes import Actor, Match, Premise
from service.record.errors import Conflict, Exists, Invalid, Moved, PreconditionRequired
from service.record.problems import problem_of, unmappable
from service.record.programme_changes import creations, endings, successor_findings
from service.record.programme_people import People
from service.record.programme_versions import OpenedVersion, ProgrammeVersions
from service.record.record import Record, random_id

_ATTEMPTS = 3


@dataclass(frozen=True, slots=True)
class Filed:
    """A document that was written.

    ``accepted`` are the cautions that its overrides accept, ``warnings`` what else should be known;
    ``is_new`` is false when the latest version says the same already; ``notes`` tell what of the
    document was not written.
    """

    opened: OpenedVersion
    accepted: tuple[Problem, ...]
    is_new: bool
    warnings: tuple[Problem, ...] = ()
    notes: tuple[Finding, ...] = ()


class Programmes:
    """The jobs about programmes over one record. Safe to share between threads."""

    def __init__(
        self,
        record: Record,
        clock: Callable[[], datetime],
        *,
        policy: Policy | None = None,
        new_id: Callable[[], str] = random_id,
    ) -> None:
        self._record = record
        self._clock = clock
        self._policy = policy or Policy()
        self._new_id = new_id

    def post(self, raw: Any, by: Actor) -> Filed:
        """Write a programme that is not in the record yet.

        Raises Invalid (every problem of the document, cautions without override among them),
        Exists when there is a programme with that id, Conflict, Busy.
        """
        return _tried_again(lambda: self._post(raw, by))

    def put(self, id_: str, raw: Any, by: Actor, if_match: str | None) -> Filed:
        """Write the successor of a programme's latest version.

        ``if_match`` is the tag of that version. The same document again changes nothing. Raises
        PreconditionRequired without a tag, Conflict for another one, Invalid, NotFound, Busy.
        """
        return _tried_again(lambda: self._put(id_, raw, by, if_match))

    def get(self, id_: str, caller: Actor) -> OpenedVersion:
        """The version in force now; where none is, the latest. Raises NotFound, Invalid."""
        return self.versions(id_, caller).in_force(self._clock())

    def get_version(self, id_: str, number: int, caller: Actor) -> OpenedVersion:
        """One version, counted from 1. Raises NotFound, Invalid."""
        versions = self.versions(id_, caller)
        return versions.open(versions.number(number))

    def cautions(self, id_: str, caller: Actor) -> tuple[OpenedVersion, Checked[Programme]]:
        """The version in force, and what is to be said of it by what is known of the child now.

        A plan is judged when it is written, and not again; what became known since is told here.
        Raises NotFound, Invalid.
        """
        opened = self.get(id_, caller)
        raw = opened.programme.to_json()
        known = People(self._record, caller, raw).known
        return opened, check_programme(raw, policy=self._policy, known=known)

    def versions(self, id_: str, caller: Actor) -> ProgrammeVersions:
        """All versions, oldest first. Raises NotFound."""
        return ProgrammeVersions(self._record, caller, id_)

    def _post(self, raw: Any, by: Actor) -> Filed:
        people = People(self._record, by, raw)
        programme, checked = self._checked(raw, people)
        id_ = programme.id or self._new_id()
        identity = Match.identifier("CarePlan", PROGRAMME, id_)
        if self._record.matches([identity])[identity.name]:
            told = f"There is a programme {id_} already; a change of it is a PUT with If-Match."
            raise Exists([Finding("error", "duplicate", "Programme.id", told)])
        programme = programme.model_copy(update={"id": id_})
        resources = self._mapped(programme, people, None)
        premises = [*people.premises, Premise(identity, None)]
        changes = creations(resources, people.ids.values())
        self._record.write(changes, by, "Programme received", premises=premises)
        return self._filed(programme, by, checked)

    def _put(self, id_: str, raw: Any, by: Actor, if_match: str | None) -> Filed:
        versions = self.versions(id_, by)
        if if_match is None:
            told = "If-Match with the version tag of the latest version is needed to change it."
            raise PreconditionRequired.at("", told)
        before = versions.open(versions.latest())
        _check_tag(if_match, before)
        people = People(self._record, by, raw, before.resources.care_plan)
        unfit = successor_findings(raw, people.patient, before, versions.latest_start())
        programme, checked = self._checked(raw, people, [*unfit])
        programme = programme.model_copy(update={"id": id_})
        if _same(programme, before.programme):
            return Filed(before, checked.accepted, is_new=False, warnings=checked.warnings)
        resources = self._mapped(programme, people, before.resources)
        resources.care_plan["replaces"] = [{"reference": before.version.plan}]
        changes = creations(resources, people.ids.values())
        if programme.status != "draft":
            changes += [end for one in versions.going_on() for end in endings(one)]
        self._record.write(
            changes,
            by,
            programme.change_reason or "Programme changed",
            premises=people.premises,
            before_commit=versions.still_all(reference_of(resources.care_plan)),
        )
        return self._filed(programme, by, checked)

    def _checked(
        self, raw: Any, people: People, findings: Sequence[Finding] = ()
    ) -> tuple[Programme, Checked[Programme]]:
        """The document and what is to be said of it. Raises Invalid with everything wrong."""
        checked = check_programme(raw, policy=self._policy, known=people.known)
        found = [problem_of(problem) for problem in checked.problems]
        found += [*people.findings, *findings, *_not_for_documents(raw)]
        if checked.value is None or found:
            raise Invalid(found)
        return checked.value, checked

    def _mapped(
        self, programme: Programme, people: People, earlier: ProgrammeResources | None
    ) -> ProgrammeResources:
        def ids(type_: str, key: str) -> str:
            return people.ids.get((type_, key)) or self._new_id()

        try:
            return to_resources(programme, ids=ids, earlier=earlier)
        except UnmappableError as error:
            raise Invalid([unmappable(error)]) from None

    def _filed(self, programme: Programme, by: Actor, checked: Checked[Programme]) -> Filed:
        versions = self.versions(str(programme.id), by)
        opened = versions.open(versions.newest())
        notes = _kept_as_they_are(programme, opened)
        return Filed(opened, checked.accepted, True, checked.warnings, notes)


def _check_tag(if_match: str, before: OpenedVersion) -> None:
    tags = [tag.strip().removeprefix("W/").strip('"') for tag in if_match.split(",")]
    if before.tag not in tags and "*" not in tags:
        number = before.version.number
        told = f"If-Match names another version; the latest is number {number}, read it first."
        raise Conflict.at("", told)


def _not_for_documents(raw: Any) -> Iterator[Finding]:
    """What the road of documents does not do."""
    if not isinstance(raw, dict):
        return
    if raw.get("status") == "entered-in-error":
        told = (
            "A document prescribes. A version that was a mistake is marked as entered in error "
            "at its CarePlan."
        )
        yield Finding("error", "business-rule", "Programme.status", told)
    id_ = raw.get("id")
    if isinstance(id_, str) and (expected := CHECKS["id"](id_)):
        yield Finding("error", "value", "Programme.id", f"an id is expected: {expected}")


def _kept_as_they_are(programme: Programme, opened: OpenedVersion) -> tuple[Finding, ...]:
    """Where the record's own entries say something else than the document does."""
    told = "The record's own entry is kept; what the document says otherwise was not written."
    given, stored = programme.to_json(), opened.programme.to_json()
    return tuple(
        Finding("information", "informational", f"Programme.{part}", told)
        for part in ("child", "author", "team", "diagnosis", "screen")
        if given.get(part) != stored.get(part)
    )


def _same(one: Programme, other: Programme) -> bool:
    """Equal to the last digit."""
    return write(one.to_json()) == write(other.to_json())


def _tried_again(work: Callable[[], Filed]) -> Filed:
    """Once more from the beginning when somebody else wrote what was looked up."""
    for _ in range(_ATTEMPTS - 1):
        try:
            return work()
        except Moved:
            continue
    return work()
