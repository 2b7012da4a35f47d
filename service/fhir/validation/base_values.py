"""What the base standard says of single values, beside their format: bindings, units, addresses."""

import re
from base64 import b64decode
from collections.abc import Callable, Iterator
from typing import Any

from service.fhir.definitions import Definitions
from service.fhir.json import JsonObject
from service.fhir.outcome import Severity, shown
from service.fhir.structure import Element, specialises
from service.fhir.units import UCUM, is_mistake, ucum_fault
from service.fhir.validation.coded import CODED, Fault, binding_faults, unknown_code
from service.fhir.validation.items import Item
from service.fhir.validation.scope import is_absolute

_UUID = re.compile(r"urn:uuid:[0-9a-f]{8}(-[0-9a-f]{4}){3}-[0-9a-f]{12}", re.ASCII | re.IGNORECASE)
_OID = re.compile(r"urn:oid:[0-2](\.(0|[1-9][0-9]*))+", re.ASCII)
_BLANKS = re.compile(r"\s+", re.ASCII)


PLACES = {"ucum": ".code", "absolute-system": ".system"}
"""Where below the value a fault stands, by key."""


def value_faults(item: Item, element: Element, definitions: Definitions) -> Iterator[Fault]:
    """Everything against one value of a known element, its structure apart."""
    if element.binding is not None and item.type in CODED:
        yield from binding_faults(element.binding, item.value, item.type, definitions)
    check = _BY_TYPE.get(item.type)
    if check is not None and (item.primitive or isinstance(item.value, dict)):
        yield from check(item.value, definitions)
    elif isinstance(item.value, dict) and specialises(item.type, "Quantity"):
        yield from _quantity(item.value, definitions)


def _uri(value: Any, _: Definitions) -> Iterator[Fault]:
    if not isinstance(value, str):
        return
    bare = value.partition("|")[0].partition("#")[0]
    if bare.startswith("urn:uuid:") and not _UUID.fullmatch(bare):
        yield "error", "value", f"found {shown(value)}, expected a whole UUID", "uuid-format"
    elif bare.startswith("urn:oid:") and not _OID.fullmatch(bare):
        yield "warning", "value", f"found {shown(value)}, expected a whole OID", "oid-format"


def _canonical(value: Any, definitions: Definitions) -> Iterator[Fault]:
    yield from _uri(value, definitions)
    if isinstance(value, str) and not value.startswith("#") and not is_absolute(value):
        text = f"found {shown(value)}, expected an absolute canonical URL"
        yield "warning", "value", text, "canonical-form"


def _reference(value: JsonObject, _: Definitions) -> Iterator[Fault]:
    text = value.get("reference")
    if isinstance(text, str) and _BLANKS.search(text):
        yield "error", "value", "found a reference with blanks in it", "reference-form"


def _coding(value: JsonObject, definitions: Definitions) -> Iterator[Fault]:
    yield from _absolute(value, "Coding")
    fault = unknown_code(value, definitions)
    if fault is not None:
        yield _severity_of(value["system"]), "code-invalid", fault, "unknown-code"


def _severity_of(system: str) -> Severity:
    """A warning for tables of v2 and v3, which later versions and countries add to."""
    return "warning" if "/CodeSystem/v2-" in system or "/CodeSystem/v3-" in system else "error"


def _identifier(value: JsonObject, _: Definitions) -> Iterator[Fault]:
    yield from _absolute(value, "Identifier")


def _absolute(value: JsonObject, kind: str) -> Iterator[Fault]:
    system = value.get("system")
    if isinstance(system, str) and not is_absolute(system):
        text = f"found {shown(system)} as {kind}.system, expected an absolute URI"
        yield "error", "value", text, "absolute-system"


def _quantity(value: JsonObject, _: Definitions) -> Iterator[Fault]:
    code = value.get("code")
    if value.get("system") == UCUM and isinstance(code, str):
        expected = ucum_fault(code)
        if expected is not None:
            severity: Severity = "error" if is_mistake(code) else "warning"
            text = f"found the unit {shown(code)}, expected {expected}"
            yield severity, "code-invalid", text, "ucum"


def _attachment(value: JsonObject, _: Definitions) -> Iterator[Fault]:
    data, size = value.get("data"), value.get("size")
    if not isinstance(data, str) or not isinstance(size, int):
        return
    try:
        length = len(b64decode(_BLANKS.sub("", data), validate=True))
    except ValueError:
        return
    if length != size:
        yield "error", "value", f"found {size} as size of {length} bytes", "attachment-size"


_BY_TYPE: dict[str, Callable[[Any, Definitions], Iterator[Fault]]] = {
    "uri": _uri, "url": _uri, "canonical": _canonical, "Coding": _coding, "Identifier": _identifier,
    "Attachment": _attachment, "Reference": _reference,
}  # fmt: skip
