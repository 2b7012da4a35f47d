"""A plan as a document: a Composition, and everything that the plan refers to.

R4 documents.html. Nothing of it is stored: the Composition is made for the answer, from the plan
as it is now. A plan that this one replaced is named in it and does not come along.
"""

import re
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from html import escape

from service.fhir.json import JsonObject, read
from service.mapping.canonical import code_system, extension_url
from service.record.bodies import instant_text
from service.record.errors import NotFound
from service.record.links import references
from service.record.view import View
from service.store.contract import Key, Version

MOST_STEPS = 4
"""How far references are followed from the plan."""

_REFERENCE = re.compile(r"([A-Z][A-Za-z]+)/([A-Za-z0-9\-.]{1,64})(?:/_history/.*)?", re.ASCII)
_FORMER = re.compile(r"\.(replaces|priorRequest)\b")
_TITLE = "Airway-clearance home programme"
_STATUS = {"draft": "preliminary", "entered-in-error": "entered-in-error"}


@dataclass(frozen=True, slots=True)
class Document:
    """``composition`` refers to the resources by whole addresses; ``versions``: the plan first."""

    composition: JsonObject
    versions: tuple[Version, ...]


def document(
    view: View, plan: str, *, base: str, now: datetime, new_id: Callable[[], str]
) -> Document:
    """The document of ``CarePlan/plan``. ``base``: the address that links begin with.

    Raises NotFound.
    """
    versions = _gathered(view, ("CarePlan", plan))
    resources = [read(version.body) for version in versions]
    composition = _composition(resources, base) | {"date": instant_text(now), "id": new_id()}
    return Document(composition, tuple(versions))


def _gathered(view: View, first: Key) -> list[Version]:
    """The plan and what it refers to, each once, in the order in which it is come upon."""
    found = view.current([first])
    if not found:
        raise NotFound.at("", f"There is no {'/'.join(first)}.")
    front = list(found.values())
    asked = {first}
    for _ in range(MOST_STEPS):
        new = [key for version in front for key in _targets(version)]
        new = [key for key in dict.fromkeys(new) if key not in asked]
        come = view.current(new)
        front = [come[key] for key in new if key in come]
        asked |= set(new)
        found |= come
        if not front:
            break
    return list(found.values())


def _targets(version: Version) -> Iterator[Key]:
    for path, text in references(read(version.body)):
        match = _REFERENCE.fullmatch(text)
        if match is not None and not _FORMER.search(path):
            yield match[1], match[2]


def _composition(resources: Sequence[JsonObject], base: str) -> JsonObject:
    plan = resources[0]
    title = plan.get("title", _TITLE)
    part = {"system": code_system("airway-plan-part"), "code": "home-programme"}
    head: JsonObject = {
        "resourceType": "Composition",
        "text": _text([title]),
        "status": _STATUS.get(plan["status"], "final"),
        "type": {"coding": [part], "text": _TITLE},
        "subject": _whole(plan["subject"], base),
        "author": [_whole(plan.get("author", {"display": "Not stated in the plan"}), base)],
        "title": title,
        "section": list(_sections(resources, base)),
    }
    return head | ({"language": plan["language"]} if "language" in plan else {})


def _sections(resources: Sequence[JsonObject], base: str) -> Iterator[JsonObject]:
    plan = resources[0]
    yield _section("The plan", [plan], [plan.get("title", _TITLE)], base)
    signs = list(_safety_net(plan))
    if signs:
        yield {"title": "When to stop and whom to call", "text": _text(signs)}
    for title, type_, words in _PARTS:
        some = [one for one in resources if one["resourceType"] == type_]
        if some:
            yield _section(title, some, [words(one) for one in some], base)


def _section(
    title: str, resources: Sequence[JsonObject], lines: Sequence[str], base: str
) -> JsonObject:
    entries = [{"reference": f"{base}/{one['resourceType']}/{one['id']}"} for one in resources]
    return {"title": title, "text": _text(lines), "entry": entries}


def _safety_net(plan: JsonObject) -> Iterator[str]:
    for extension in plan.get("extension", ()):
        if extension.get("url") == extension_url("safety-net"):
            said = {part["url"]: part.get("valueString", "") for part in extension["extension"]}
            names = ("sign", "action", "contact")
            yield ". ".join(said[name] for name in names if said.get(name))


def _concept(element: str) -> Callable[[JsonObject], str]:
    def words(resource: JsonObject) -> str:
        concept = resource.get(element, {})
        codings = concept.get("coding", [{}])
        name = concept.get("text") or codings[0].get("display") or codings[0].get("code", "")
        asked = resource.get("patientInstruction")
        return f"{name}: {asked}" if asked else str(name)

    return words


_PARTS: Sequence[tuple[str, str, Callable[[JsonObject], str]]] = (
    ("What is asked", "ServiceRequest", _concept("code")),
    ("Devices", "DeviceRequest", _concept("codeCodeableConcept")),
    ("Aims", "Goal", _concept("description")),
    ("Conditions", "Condition", _concept("code")),
)
"""Sections by the type of what is in them, and how each is said in a line."""


def _whole(reference: JsonObject, base: str) -> JsonObject:
    """The reference with the whole address of a resource that is here."""
    text = reference.get("reference", "")
    if not _REFERENCE.fullmatch(text):
        return reference
    return {**reference, "reference": f"{base}/{text}"}


def _text(lines: Sequence[str]) -> JsonObject:
    items = "".join(f"<li>{escape(line or 'See the entry', quote=False)}</li>" for line in lines)
    div = f'<div xmlns="http://www.w3.org/1999/xhtml"><ul>{items}</ul></div>'
    return {"status": "generated", "div": div}
