"""What R4 adds to FHIRPath (R4, fhirpath.html, "Additional functions")."""

from typing import Any

from service.fhir.fhirpath.errors import FhirPathError
from service.fhir.fhirpath.functions.registry import function
from service.fhir.fhirpath.functions.text import string
from service.fhir.fhirpath.html import narrative_fault
from service.fhir.fhirpath.items import Collection, Node, as_item, plain
from service.fhir.fhirpath.logic import NONE, boolean, single
from service.fhir.fhirpath.model import SYSTEM_OF
from service.fhir.fhirpath.navigation import append_named
from service.fhir.fhirpath.references import resolved
from service.fhir.fhirpath.scope import Scope

_BASE = "http://hl7.org/fhir/StructureDefinition/"


@function("hasValue")
def _has_value(items: Collection, _: Scope) -> Collection:
    return boolean(len(items) == 1 and _primitive(items[0]) is not None)


@function("getValue")
def _get_value(items: Collection, _: Scope) -> Collection:
    value = _primitive(items[0]) if len(items) == 1 else None
    return NONE if value is None else [value]


def _primitive(item: Any) -> Any:
    """The value of a primitive; None where it has none or is complex."""
    if type(item) is Node and item.type not in SYSTEM_OF:
        return None
    return plain(item)


@function("extension", 1)
def _extension(items: Collection, scope: Scope, url: Collection) -> Collection:
    wanted = string(url, "extension")
    found: Collection = []
    for item in items:
        append_named(found, item, "extension", scope.types)
    return [each for each in found if type(each.value) is dict and each.value.get("url") == wanted]


@function("resolve")
def _resolve(items: Collection, scope: Scope) -> Collection:
    found: Collection = []
    for item in items:
        reference = _reference(item)
        if reference is not None:
            found.extend(scope.resource_node(resolved(reference, scope)))
    return found


def _reference(item: Any) -> str | None:
    if type(item) is Node and type(item.value) is dict:
        reference = item.value.get("reference")
        return reference if type(reference) is str else None
    value = plain(item)
    return value if type(value) is str else None


@function("memberOf", 1)
def _member_of(items: Collection, scope: Scope, value_set: Collection) -> Collection:
    item, canonical = single(items), string(value_set, "memberOf")
    if item is None or canonical is None:
        return NONE
    if scope.services.member_of is None:
        raise FhirPathError("no terminology was given for memberOf()")
    return boolean(scope.services.member_of(as_item(item), canonical))


@function("conformsTo", 1)
def _conforms_to(items: Collection, scope: Scope, profile: Collection) -> Collection:
    """A canonical of R4 itself is answered by the item's type, any other by the service."""
    item, canonical = single(items), string(profile, "conformsTo")
    if item is None or canonical is None:
        return NONE
    name = canonical.removeprefix(_BASE)
    if name != canonical and scope.types.is_type(name):
        return boolean(type(item) is Node and name in scope.types.ancestry(item.type))
    if scope.services.conforms_to is None:
        raise FhirPathError("the profile named by conformsTo() is not known")
    return boolean(scope.services.conforms_to(as_item(item), canonical))


@function("htmlChecks")
def _html_checks(items: Collection, scope: Scope) -> Collection:
    divs: Collection = []
    for item in items:
        if type(item) is Node and item.type == "Narrative":
            append_named(divs, item, "div", scope.types)
        else:
            divs.append(item)
    return boolean(all(narrative_fault(string([div], "htmlChecks")) is None for div in divs))


@function("checkModifiers", 1, 20)
def _check_modifiers(items: Collection, scope: Scope, *known: Collection) -> Collection:
    """The input, if it has no modifier extension but those named; else FhirPathError."""
    allowed = {string(each, "checkModifiers") for each in known}
    found: Collection = []
    for item in items:
        append_named(found, item, "modifierExtension", scope.types)
    for each in found:
        if type(each.value) is not dict or each.value.get("url") not in allowed:
            raise FhirPathError("there is a modifier extension that is not understood")
    return items
