"""What makes index rows of a value, by kind of parameter and FHIR type (R4 search.html).

``maker`` is asked once for each place that a parameter looks at; what it gives is called for every
value there.
"""

import unicodedata
from collections.abc import Callable, Mapping
from decimal import Decimal
from typing import Any

from service.fhir.search.amounts import AMOUNTS
from service.fhir.search.references import local_reference
from service.fhir.search.terms import (
    BEGINNING,
    END,
    DateRow,
    Kind,
    QuantityRow,
    ReferenceRow,
    StringRow,
    TokenRow,
    UriRow,
)
from service.fhir.spans import Span, span_of

Take = Callable[[Any, list[Any]], None]
Systems = Mapping[str, str]
"""The code systems that codes without one belong to."""

_NAME_PARTS = ("text", "family", "given", "prefix", "suffix")
_ADDRESS_PARTS = ("text", "line", "city", "district", "state", "postalCode", "country")
_TEXTS = frozenset({"string", "markdown", "id", "code", "uri"})
_URIS = frozenset({"canonical", "oid", "uri", "url", "uuid"})
_WORDS = frozenset({"base64Binary", "boolean", "code", "id", "string"}) | _URIS
_WHOLE_NUMBERS = frozenset({"integer", "positiveInt", "unsignedInt"})
_MOMENTS = frozenset({"date", "dateTime", "instant"})


def maker(
    kind: Kind, fhir_type: str, name: str, *, systems: Systems | None = None, plain: bool = False
) -> Take | None:
    """What adds the rows of a value of this type; None where there are none.

    ``systems``: of the codes at this place. ``plain``: without the rows that only modifiers ask
    for.
    """
    if kind == "token" and fhir_type == "code" and systems is not None:
        return _code(name, systems)
    make = _MAKERS.get(kind, {}).get(fhir_type)
    return None if make is None else make(name, plain)


def folded(text: str) -> str:
    """Text as compared: no case, no accents, single blanks."""
    if text.isascii():
        return " ".join(text.lower().split())
    decomposed = unicodedata.normalize("NFKD", text).casefold()
    kept = "".join(c for c in decomposed if not unicodedata.combining(c))
    return " ".join(kept.split())


Make = Callable[[str, bool], Take]

# -- token ----------------------------------------------------------------------------------------


def _code(name: str, systems: Systems) -> Take:
    """A bare code: as it stands, and as one of the system that its element binds it to."""

    def take(value: Any, out: list[Any]) -> None:
        out.append(TokenRow(name, "", value))
        system = systems.get(value)
        if system is not None:
            out.append(TokenRow(name, system, value))

    return take


def _word(name: str, _: bool) -> Take:
    def take(value: Any, out: list[Any]) -> None:
        out.append(TokenRow(name, "", value))

    return take


def _boolean(name: str, _: bool) -> Take:
    def take(value: Any, out: list[Any]) -> None:
        out.append(TokenRow(name, "", "true" if value else "false"))

    return take


def _coding(name: str, plain: bool) -> Take:
    label = f"{name}:text"

    def take(value: Any, out: list[Any]) -> None:
        code = value.get("code")
        if code is not None:
            out.append(TokenRow(name, value.get("system", ""), code))
        text = value.get("display")
        if text is not None and not plain:
            out.append(StringRow(label, text, folded(text)))

    return take


def _concept(name: str, plain: bool) -> Take:
    label, coding = f"{name}:text", _coding(name, plain)

    def take(value: Any, out: list[Any]) -> None:
        for each in value.get("coding", ()):
            coding(each, out)
        text = value.get("text")
        if text is not None and not plain:
            out.append(StringRow(label, text, folded(text)))

    return take


def _identifier(name: str, plain: bool) -> Take:
    of_type, label = f"{name}:of-type", f"{name}:text"

    def take(value: Any, out: list[Any]) -> None:
        held = value.get("value")
        if held is not None:
            out.append(TokenRow(name, value.get("system", ""), held))
        kind = value.get("type")
        if kind is None or plain:
            return
        for coding in kind.get("coding", ()):
            code = coding.get("code")
            if code is not None and held is not None:
                out.append(TokenRow(of_type, coding.get("system", ""), f"{code}|{held}"))
        text = kind.get("text")
        if text is not None:
            out.append(StringRow(label, text, folded(text)))

    return take


def _contact(name: str, _: bool) -> Take:
    def take(value: Any, out: list[Any]) -> None:
        held = value.get("value")
        if held is not None:
            out.append(TokenRow(name, "", held))

    return take


# -- reference and uri ----------------------------------------------------------------------------


def _reference(name: str, plain: bool) -> Take:
    identifier = _identifier(f"{name}:identifier", True)

    def take(value: Any, out: list[Any]) -> None:
        literal = value.get("reference")
        if literal is not None and literal[:1] != "#":
            local = local_reference(literal)
            if local is None:
                out.append(ReferenceRow(name, "", literal))
            else:
                out.append(ReferenceRow(name, local[0], local[1]))
        named = value.get("identifier")
        if named is not None and not plain:
            identifier(named, out)

    return take


def _address(name: str, _: bool) -> Take:
    """A canonical: with its version, and without."""

    def take(value: Any, out: list[Any]) -> None:
        out.append(ReferenceRow(name, "", value))
        bare, bar, _ = value.partition("|")
        if bar:
            out.append(ReferenceRow(name, "", bare))

    return take


def _uri(name: str, _: bool) -> Take:
    def take(value: Any, out: list[Any]) -> None:
        out.append(UriRow(name, value))
        bare, bar, _ = value.partition("|")
        if bar:
            out.append(UriRow(name, bare))

    return take


# -- string ---------------------------------------------------------------------------------------


def _text(name: str, _: bool) -> Take:
    def take(value: Any, out: list[Any]) -> None:
        out.append(StringRow(name, value, folded(value)))

    return take


def _parts(parts: tuple[str, ...]) -> Make:
    def make(name: str, _: bool) -> Take:
        def take(value: Any, out: list[Any]) -> None:
            for part in parts:
                held = value.get(part)
                texts = held if isinstance(held, list) else (held,)
                out += [StringRow(name, text, folded(text)) for text in texts if text is not None]

        return take

    return make


# -- date -----------------------------------------------------------------------------------------


def _moment(name: str, _: bool) -> Take:
    def take(value: Any, out: list[Any]) -> None:
        out.append(DateRow(name, *span_of(value)))

    return take


def _period(name: str, _: bool) -> Take:
    def take(value: Any, out: list[Any]) -> None:
        span = _span(value)
        if span is not None:
            out.append(DateRow(name, *span))

    return take


def _timing(name: str, _: bool) -> Take:
    """From the first to the last of its events and bounds."""

    def take(value: Any, out: list[Any]) -> None:
        spans = [span_of(event) for event in value.get("event", ()) if event is not None]
        bounds = _span(value.get("repeat", {}).get("boundsPeriod", {}))
        if bounds is not None:
            spans.append(bounds)
        if spans:
            out.append(DateRow(name, min(s[0] for s in spans), max(s[1] for s in spans)))

    return take


def _span(period: dict[str, Any]) -> Span | None:
    start, end = period.get("start"), period.get("end")
    if start is None and end is None:
        return None
    low = BEGINNING if start is None else span_of(start)[0]
    return low, END if end is None else span_of(end)[1]


# -- number ---------------------------------------------------------------------------------------


def _number(name: str, _: bool) -> Take:
    def take(value: Any, out: list[Any]) -> None:
        number = Decimal(value)
        out.append(QuantityRow(name, number, number, "", ""))

    return take


_MAKERS: Mapping[Kind, Mapping[str, Make]] = {
    "token": {
        **dict.fromkeys(_WORDS, _word),
        "boolean": _boolean,
        "Coding": _coding,
        "CodeableConcept": _concept,
        "Identifier": _identifier,
        "ContactPoint": _contact,
    },
    "reference": {"Reference": _reference, **dict.fromkeys(_URIS, _address)},
    "uri": dict.fromkeys(_URIS, _uri),
    "string": {
        **dict.fromkeys(_TEXTS, _text),
        "HumanName": _parts(_NAME_PARTS),
        "Address": _parts(_ADDRESS_PARTS),
    },
    "date": {**dict.fromkeys(_MOMENTS, _moment), "Period": _period, "Timing": _timing},
    "quantity": {**AMOUNTS, **dict.fromkeys(_WHOLE_NUMBERS | {"decimal"}, _number)},
}
