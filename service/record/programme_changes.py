"""What writing a programme changes in the record: what is made, what ends, what must fit."""

from collections.abc import Collection, Iterator
from datetime import date, datetime
from typing import Any

from service.fhir.json import JsonObject
from service.fhir.outcome import Finding
from service.mapping.programme import REVIEW, ProgrammeResources, ended
from service.mapping.references import reference_of
from service.programme.checks.view import View
from service.programme.moments import is_before
from service.programme.plan import Programme
from service.record.changes import Change, Create, Update
from service.record.programme_versions import OpenedVersion


def creations(resources: ProgrammeResources, known: Collection[str]) -> list[Change]:
    """All resources but the parties whose ids are ``known``: those are only referred to.

    Each has its place in the document, for findings.
    """
    changes: list[Change] = [
        Create(party, id=party["id"], place="Programme")
        for party in resources.parties
        if party["id"] not in known
    ]
    return changes + [Create(part, id=part["id"], place=at) for at, part in _placed(resources)]


def endings(version: OpenedVersion) -> Iterator[Change]:
    """The end of a version whose place another one takes; refused if any of it has changed."""
    for resource in ended(version.resources):
        reference = reference_of(resource)
        tag = f'W/"{version.resolver.version(reference)}"'
        yield Update(resource, if_match=tag, place=reference)


def successor_findings(
    raw: Any, patient: str | None, before: OpenedVersion, latest_start: date | datetime | None
) -> Iterator[Finding]:
    """Why a raw document about ``patient`` cannot take the place of ``before``.

    ``latest_start`` is that of all versions so far: of two versions that hold an instant the one
    that began last is in force, so a successor that begins earlier would never be.
    """
    if not isinstance(raw, dict):
        return
    if raw.get("id") not in (None, before.programme.id):
        told = f"the id in the address is expected: {before.programme.id}"
        yield Finding("error", "value", "Programme.id", told)
    if patient != before.resources.care_plan["subject"].get("reference"):
        told = "the child whose programme it is, is expected: it does not pass to another child"
        yield Finding("error", "business-rule", "Programme.child", told)
    start = View(Programme, raw, "Programme").value("start")
    if start is None or latest_start is None or raw.get("status") == "draft":
        return
    if is_before(start, latest_start):
        told = (
            f"a start not before {latest_start.isoformat()} is expected: the version that began "
            "then would stay in force. If that version was a mistake, mark it as entered in error."
        )
        yield Finding("error", "business-rule", "Programme.start", told)


def _placed(resources: ProgrammeResources) -> Iterator[tuple[str, JsonObject]]:
    yield "Programme", resources.care_plan
    for part, members in (
        ("regimen", resources.regimens),
        ("device", resources.devices),
        ("goal", resources.goals),
    ):
        for at, member in enumerate(members.values()):
            yield f"Programme.{part}[{at}]", member
    if resources.review:
        yield f"Programme.{REVIEW}", resources.review
