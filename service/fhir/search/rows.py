"""Index rows from one value of an element, by parameter type and FHIR type (R4 search.html)."""

import re
import unicodedata
from collections.abc import Callable, Iterator
from decimal import Decimal
from typing import Any, Protocol

from service.fhir.json import JsonObject
from service.fhir.search.terms import (
    BEGINNING,
    END,
    DateRow,
    IndexRow,
    Kind,
    QuantityRow,
    ReferenceRow,
    StringRow,
    TokenRow,
    UriRow,
)
from service.fhir.spans import span_of

_LOCAL = re.compile(r"([A-Z][A-Za-z]{0,63})/([A-Za-z0-9.-]{1,64})(?:/_history/[^/]+)?", re.ASCII)
_FAR = Decimal("1E+5000")
"""Beyond every number that is read; stands for a missing end of a range."""
_NAME_PARTS = ("text", "family", "given", "prefix", "suffix")
_ADDRESS_PARTS = ("text", "line", "city", "district", "state", "postalCode", "country")


class Asked(Protocol):
    """What rows need to know of a search parameter."""

    @property
    def name(self) -> str: ...
    @property
    def type(self) -> Kind: ...
    @property
    def targets(self) -> tuple[str, ...]: ...


def rows_of(parameter: Asked, fhir_type: str, value: Any) -> Iterator[IndexRow]:
    """The rows of one value; none where the value has no form for this type of parameter."""
    return _BY_KIND[parameter.type](parameter, fhir_type, value)


def folded(text: str) -> str:
    """Text as compared: no case, no accents, single blanks."""
    plain = unicodedata.normalize("NFKD", text).casefold()
    kept = "".join(c for c in plain if not unicodedata.combining(c))
    return " ".join(kept.split())


def local_reference(text: str) -> tuple[str, str] | None:
    """Type and id of a reference within this service; its version is left out."""
    match = _LOCAL.fullmatch(text)
    return (match.group(1), match.group(2)) if match else None


def _token_rows(parameter: Asked, fhir_type: str, value: Any) -> Iterator[IndexRow]:
    for system, code in _tokens(fhir_type, value):
        if isinstance(code, str) and isinstance(system, str):
            yield TokenRow(parameter.name, system, code)


def _tokens(fhir_type: str, value: Any) -> Iterator[tuple[Any, Any]]:
    if isinstance(value, bool):
        yield "", "true" if value else "false"
    elif isinstance(value, str):
        yield "", value
    elif isinstance(value, dict):
        match fhir_type:
            case "CodeableConcept":
                for coding in value.get("coding", []):
                    yield coding.get("system", ""), coding.get("code")
            case "Coding":
                yield value.get("system", ""), value.get("code")
            case "Identifier":
                yield value.get("system", ""), value.get("value")
            case "ContactPoint":
                yield "", value.get("value")


def _reference_rows(parameter: Asked, fhir_type: str, value: Any) -> Iterator[IndexRow]:
    if fhir_type in {"canonical", "uri"} and isinstance(value, str):
        for text in dict.fromkeys((value, value.partition("|")[0])):
            yield ReferenceRow(parameter.name, "", text)
    elif fhir_type == "Reference" and isinstance(value, dict):
        yield from _literal_rows(parameter, value.get("reference"))
        identifier = value.get("identifier")
        if isinstance(identifier, dict):
            yield from _token_rows_named(f"{parameter.name}:identifier", identifier)


def _literal_rows(parameter: Asked, literal: Any) -> Iterator[IndexRow]:
    if not isinstance(literal, str) or literal.startswith("#"):
        return
    local = local_reference(literal)
    if local is None:
        yield ReferenceRow(parameter.name, "", literal)
    elif not parameter.targets or local[0] in parameter.targets:
        yield ReferenceRow(parameter.name, *local)


def _token_rows_named(name: str, identifier: JsonObject) -> Iterator[IndexRow]:
    for system, code in _tokens("Identifier", identifier):
        if isinstance(code, str):
            yield TokenRow(name, system, code)


def _date_rows(parameter: Asked, fhir_type: str, value: Any) -> Iterator[IndexRow]:
    spans = list(_spans(fhir_type, value))
    if spans:
        yield DateRow(parameter.name, min(s[0] for s in spans), max(s[1] for s in spans))


def _spans(fhir_type: str, value: Any) -> Iterator[tuple[int, int]]:
    if fhir_type in {"date", "dateTime", "instant"} and isinstance(value, str):
        yield span_of(value)
    elif fhir_type == "Period" and isinstance(value, dict):
        start, end = value.get("start"), value.get("end")
        if start or end:
            yield (
                span_of(start)[0] if start else BEGINNING,
                span_of(end)[1] if end else END,
            )
    elif fhir_type == "Timing" and isinstance(value, dict):
        yield from (span_of(event) for event in value.get("event", []) if event)
        yield from _spans("Period", value.get("repeat", {}).get("boundsPeriod"))


def _string_rows(parameter: Asked, fhir_type: str, value: Any) -> Iterator[IndexRow]:
    parts = {"HumanName": _NAME_PARTS, "Address": _ADDRESS_PARTS}.get(fhir_type)
    texts = [value] if parts is None else [value.get(part) for part in parts]
    for text in texts:
        for each in text if isinstance(text, list) else [text]:
            if isinstance(each, str):
                yield StringRow(parameter.name, each, folded(each))


def _quantity_rows(parameter: Asked, fhir_type: str, value: Any) -> Iterator[IndexRow]:
    if fhir_type != "Quantity" or not isinstance(value, dict) or "value" not in value:
        return
    number = Decimal(value["value"])
    below = value.get("comparator") in {"<", "<="}
    above = value.get("comparator") in {">", ">="}
    yield QuantityRow(
        parameter.name,
        -_FAR if below else number,
        _FAR if above else number,
        value.get("system", ""),
        value.get("code", ""),
    )


def _uri_rows(parameter: Asked, _: str, value: Any) -> Iterator[IndexRow]:
    if isinstance(value, str):
        yield UriRow(parameter.name, value)


_BY_KIND: dict[Kind, Callable[[Asked, str, Any], Iterator[IndexRow]]] = {
    "token": _token_rows,
    "reference": _reference_rows,
    "date": _date_rows,
    "string": _string_rows,
    "quantity": _quantity_rows,
    "uri": _uri_rows,
}
