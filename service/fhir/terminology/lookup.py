"""CodeSystem/$lookup: what is known of a code (R4 codesystem-operation-lookup.html)."""

from collections.abc import Collection, Iterator

from service.fhir.json import JsonObject
from service.fhir.terminology.concept import Absent, Concept
from service.fhir.terminology.errors import UnknownError
from service.fhir.terminology.parameters import group, parameter, parameters
from service.fhir.terminology.systems import System


def look_up(
    system: System, code: str, properties: Collection[str] = (), language: str | None = None
) -> JsonObject:
    """The Parameters that tell of a code; ``properties`` are the ones wanted, all if empty.

    A display is given only where one is known: R4 asks for it always, but a code is no display.
    Raises UnknownError for what is no code, NotCheckedError where that cannot be told.
    """
    concept = system.find(code)
    if isinstance(concept, Absent):
        raise UnknownError(concept.reason)
    wanted = [one for one in _properties(concept) if not properties or one[0] in properties]
    return parameters(
        parameter("name", "valueString", system.name),
        parameter("version", "valueString", system.version),
        parameter("display", "valueString", concept.shown(language)),
        [*_designations(concept)] if not properties or "designation" in properties else [],
        [_property(name, kind, value) for name, kind, value in wanted],
    )


def _properties(concept: Concept) -> Iterator[tuple[str, str, object]]:
    if concept.definition is not None:
        yield "definition", "valueString", concept.definition
    if concept.parent is not None:
        yield "parent", "valueCode", concept.parent
    for child in concept.children:
        yield "child", "valueCode", child
    for row in concept.properties:
        for kind in row.keys() - {"code", "id", "extension"}:
            yield row["code"], kind, row[kind]


def _property(name: str, kind: str, value: object) -> JsonObject:
    return group("property", parameter("code", "valueCode", name), parameter("value", kind, value))


def _designations(concept: Concept) -> Iterator[JsonObject]:
    for row in concept.designations:
        yield group(
            "designation",
            parameter("language", "valueCode", row.get("language")),
            parameter("use", "valueCoding", row.get("use")),
            parameter("value", "valueString", row["value"]),
        )
