"""``encode``, ``decode``, ``escape`` and ``unescape`` (of the FHIRPath build after N1)."""

import base64
import binascii
import html
import json
import re
from collections.abc import Callable
from typing import Any

from service.fhir.fhirpath.errors import FhirPathError
from service.fhir.fhirpath.functions.registry import function
from service.fhir.fhirpath.functions.text import string
from service.fhir.fhirpath.items import Collection
from service.fhir.fhirpath.logic import NONE
from service.fhir.fhirpath.scope import Scope

_TABLES: dict[str, dict[str, Callable[[str], Any]]] = {
    "encode": {
        "hex": lambda text: text.encode().hex(),
        "base64": lambda text: base64.b64encode(text.encode()).decode(),
        "urlbase64": lambda text: base64.urlsafe_b64encode(text.encode()).decode(),
    },
    "decode": {
        "hex": lambda text: bytes.fromhex(text).decode(),
        "base64": lambda text: base64.b64decode(text, validate=True).decode(),
        "urlbase64": lambda text: base64.b64decode(text, b"-_", validate=True).decode(),
    },
    "escape": {
        "html": lambda text: html.escape(text, quote=True),
        "json": lambda text: json.dumps(text, ensure_ascii=False)[1:-1],
    },
    "unescape": {
        "html": html.unescape,
        "json": lambda text: _json_text(text),
    },
}


_JSON_ESCAPE = re.compile(r'\\(?:u([0-9a-fA-F]{4})|(["\\/bfnrt]))', re.ASCII)
_JSON_LETTERS = {"b": "\b", "f": "\f", "n": "\n", "r": "\r", "t": "\t"}


def _json_text(text: str) -> str:
    """Escapes undone; a quotation mark may stand without one."""
    return _JSON_ESCAPE.sub(
        lambda m: chr(int(m[1], 16)) if m[1] else _JSON_LETTERS.get(m[2], m[2]), text
    )


def _enter(name: str, forms: dict[str, Callable[[str], Any]]) -> None:
    def apply(items: Collection, _: Scope, form: Collection) -> Collection:
        text, wanted = string(items, name), string(form, name)
        if text is None or wanted is None or wanted not in forms:
            return NONE
        try:
            return [forms[wanted](text)]
        except (ValueError, binascii.Error):
            raise FhirPathError(f"{name}() cannot read its input as {wanted}") from None

    function(name, 1)(apply)


for _name, _forms in _TABLES.items():
    _enter(_name, _forms)
