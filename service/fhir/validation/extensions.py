"""Extensions: their address, their definition, where they may stand, and modifiers not known."""

from collections.abc import Iterable, Iterator
from typing import Any

from service.fhir.fhirpath import FhirPathError
from service.fhir.json import JsonObject
from service.fhir.outcome import shown
from service.fhir.structure import specialises, type_facts
from service.fhir.validation.constraints import compiled
from service.fhir.validation.facets import HL7
from service.fhir.validation.profile import ProfileCheck
from service.fhir.validation.profiles import Profiles
from service.fhir.validation.report import Report
from service.fhir.validation.scope import is_absolute
from service.fhir.validation.walk import FoundExtension


class Extensions:
    """Checks the extensions that a walk has met."""

    def __init__(self, profiles: Profiles) -> None:
        self._profiles = profiles

    def check(self, extensions: Iterable[FoundExtension], report: Report) -> None:
        """Report everything against the extensions of one document."""
        for found in extensions:
            url = found.item.value.get("url")
            if isinstance(url, str):
                self._one(found, url, report)

    def _one(self, found: FoundExtension, url: str, report: Report) -> None:
        if not is_absolute(url):
            if found.inside is None:
                text = f"found {shown(url)}, expected an absolute URL"
                report.add("error", "value", found.item.path, text, "extension-url")
            return
        check = self._profiles.get(url)
        if check is None or check.type != "Extension":
            _unknown(found, url, report)
            return
        check.check(found.item, report)
        self._place(found, check, report)
        _modifier(found, check, report)

    def _place(self, found: FoundExtension, check: ProfileCheck, report: Report) -> None:
        contexts = check.definition.get("context", [])
        if contexts and not any(self._allowed(found, context) for context in contexts):
            names = ", ".join(context["expression"] for context in contexts)
            text = f"extension {shown(check.url)} may stand in {names} only"
            report.add("error", "structure", found.item.path, text, "extension-context")
        for expression in check.definition.get("contextInvariant", []):
            if not self._holds(expression, found):
                text = f"extension {shown(check.url)} may stand only where {expression}"
                report.add("error", "structure", found.item.path, text, "extension-context")

    def _allowed(self, found: FoundExtension, context: JsonObject) -> bool:
        kind, expression = context["type"], context["expression"]
        if kind == "extension":
            return bool(expression == found.inside)
        if kind == "fhirpath":
            return self._selects(expression, found)
        return any(_is_called(name, expression) for name in found.names)

    def _selects(self, expression: str, found: FoundExtension) -> bool:
        """Whether a FHIRPath over the resource gives the element that holds the extension."""
        scope = found.item.scope
        try:
            items = compiled(expression).evaluate(
                scope.resource,
                type_name=scope.type,
                resource=scope.resource,
                root=scope.root.resource,
                services=self._profiles.tools.constraints.services(scope),
            )
        except FhirPathError:
            return False
        return any(item.value is found.owner or item.companion is found.owner for item in items)

    def _holds(self, expression: str, found: FoundExtension) -> bool:
        scope = found.item.scope
        try:
            answer = compiled(expression).holds(
                found.owner,
                type_name=found.names[-1],
                resource=scope.resource,
                root=scope.root.resource,
                environment={"extension": found.item.value},
                services=self._profiles.tools.constraints.services(scope),
            )
        except FhirPathError:
            return False
        return answer is True


def _is_called(name: str, expression: str) -> bool:
    """Whether an element of this path is meant by a context such as ``Patient.contact``."""
    expression = expression.replace("[x]", "").partition("#")[2] or expression.replace("[x]", "")
    if expression == "Element" or (expression == "BackboneElement" and _is_backbone(name)):
        return True
    owner, _, inner = name.partition(".")
    wanted, _, below = expression.partition(".")
    if inner != below:
        return False
    return specialises(owner, wanted)


def _is_backbone(name: str) -> bool:
    facts = type_facts(name)
    return facts is not None and facts.is_backbone


def _unknown(found: FoundExtension, url: str, report: Report) -> None:
    if found.modifier:
        text = (
            f"modifier extension {shown(url)} is not known: the element may not mean what it says"
        )
        report.add("warning", "extension", found.item.path, text, "unknown-modifier")
    elif url.startswith(HL7):
        text = f"extension {shown(url)} is none of R4's own"
        report.add("warning", "extension", found.item.path, text, "unknown-extension")


def _modifier(found: FoundExtension, check: ProfileCheck, report: Report) -> None:
    declared = any(element.get("isModifier") for element in _roots(check.definition))
    if declared != found.modifier:
        place = "modifierExtension" if declared else "extension"
        text = f"extension {shown(check.url)} belongs in {place}"
        report.add("error", "structure", found.item.path, text, "extension-modifier")


def _roots(definition: JsonObject) -> Iterator[Any]:
    for part in ("differential", "snapshot"):
        yield from definition.get(part, {}).get("element", [])[:1]
