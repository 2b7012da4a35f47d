"""What a profile may ask of a narrative beyond its form: languages, and where the text comes from.

Two extensions on the profile's element say so: ``narrative-language-control`` (sections in other
languages: none, some, that of the resource, or a named one) and ``narrative-source-control`` (each
part says by its class whether it is boilerplate, generated or original).
"""

from collections.abc import Callable, Iterator
from xml.parsers import expat

from service.fhir.validation.coded import Fault
from service.fhir.validation.facets import HL7, extension_values
from service.fhir.validation.items import Item
from service.fhir.validation.tree import ElementRule

_LANGUAGE = f"{HL7}narrative-language-control"
_SOURCE = f"{HL7}narrative-source-control"
_SOURCES = frozenset({"boilerplate", "generated", "original"})

ValueCheck = Callable[[Item], Iterator[Fault]]


def compile_narrative(rule: ElementRule) -> ValueCheck | None:
    """The check of a narrative; None where the rule asks nothing of one."""
    holder = {"extension": list(rule.extensions)}
    languages = [str(value) for value in extension_values(holder, _LANGUAGE)]
    sourced = bool(extension_values(holder, _SOURCE))
    if not languages and not sourced:
        return None

    def check(item: Item) -> Iterator[Fault]:
        div = item.value.get("div") if isinstance(item.value, dict) else None
        parts = _parts(div) if isinstance(div, str) else None
        if parts is None:
            return
        for wanted in languages:
            fault = _language_fault(wanted, parts.languages, item.scope.resource.get("language"))
            if fault is not None:
                yield "error", "business-rule", fault, "narrative-language"
        if sourced and parts.unsourced:
            text = "a part of the narrative does not say whether it is generated or original"
            yield "error", "business-rule", text, "narrative-source"

    return check


def _language_fault(wanted: str, found: set[str], of_resource: object) -> str | None:
    if wanted == "_no":
        return "found sections in languages, expected none" if found else None
    if wanted == "_yes":
        return None if found else "found no sections in languages, expected some"
    language = of_resource if wanted == "_resource" else wanted
    if language is None or language in found:
        return None
    return f"found no section in {language}"


class _Parts:
    """The parts directly in the div: their languages, and whether any says no source."""

    def __init__(self) -> None:
        self.languages: set[str] = set()
        self.unsourced = False
        self._depth = 0

    def start(self, _: str, attributes: dict[str, str]) -> None:
        self._depth += 1
        if self._depth != 2:
            return
        language = attributes.get("lang", attributes.get("xml:lang"))
        if language is not None:
            self.languages.add(language)
        if not _SOURCES & set(attributes.get("class", "").split()):
            self.unsourced = True

    def end(self, _: str) -> None:
        self._depth -= 1

    def text(self, data: str) -> None:
        if self._depth == 1 and data.strip():
            self.unsourced = True


def _parts(div: str) -> _Parts | None:
    parts = _Parts()
    parser = expat.ParserCreate()
    parser.StartElementHandler, parser.EndElementHandler = parts.start, parts.end
    parser.CharacterDataHandler = parts.text
    try:
        parser.Parse(div, True)
    except expat.ExpatError:
        return None  # txt-1 says so
    return parts
