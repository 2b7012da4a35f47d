"""What R4 allows in a narrative's ``div`` (narrative.html, constraints txt-1 and txt-2).

The elements and attributes of HTML 4.0 chapters 7 to 11 (without section 4 of chapter 9) and 15,
links with name or href, images and style attributes; no scripts, forms, frames, objects, event
attributes or external style sheets. There has to be some text or an image.
"""

import re
from functools import lru_cache
from html.entities import name2codepoint
from xml.parsers import expat

XHTML = "http://www.w3.org/1999/xhtml"
_MAX_DEPTH = 200

_COMMON = frozenset({"id", "class", "style", "title", "lang", "xml:lang", "dir", "xmlns"})
_CELLS = frozenset({"align", "valign", "char", "charoff", "width", "height"})
_CELL = _CELLS | {"colspan", "rowspan", "abbr", "axis", "headers", "scope", "nowrap", "bgcolor"}
_ATTRIBUTES: dict[str, frozenset[str]] = {
    "a": frozenset(
        {"href", "name", "rel", "rev", "type", "hreflang", "charset", "accesskey", "tabindex",
         "target", "shape", "coords"}
    ),
    "img": frozenset(
        {"src", "alt", "longdesc", "height", "width", "usemap", "ismap", "border", "align",
         "hspace", "vspace", "name"}
    ),
    "map": frozenset({"name"}),
    "area": frozenset({"shape", "coords", "href", "nohref", "alt", "tabindex", "accesskey"}),
    "table": _CELLS | {"summary", "border", "frame", "rules", "cellspacing", "cellpadding",
                       "bgcolor"},
    "col": _CELLS | {"span"}, "colgroup": _CELLS | {"span"},
    "thead": _CELLS, "tfoot": _CELLS, "tbody": _CELLS, "tr": _CELLS | {"bgcolor"},
    "td": _CELL, "th": _CELL,
    "blockquote": frozenset({"cite"}), "q": frozenset({"cite"}),
    "ins": frozenset({"cite", "datetime"}), "del": frozenset({"cite", "datetime"}),
    "ol": frozenset({"type", "start", "compact"}), "ul": frozenset({"type", "compact"}),
    "li": frozenset({"type", "value"}), "dl": frozenset({"compact"}),
    "hr": frozenset({"align", "noshade", "size", "width"}), "br": frozenset({"clear"}),
    "pre": frozenset({"width", "xml:space"}), "caption": frozenset({"align"}),
    "p": frozenset({"align"}), "div": frozenset({"align"}),
} | {f"h{level}": frozenset({"align"}) for level in range(1, 7)}  # fmt: skip
_WITHOUT_MORE = frozenset(
    {"span", "b", "em", "i", "strong", "small", "big", "tt", "dfn", "var", "abbr", "acronym",
     "cite", "address", "bdo", "kbd", "sub", "sup", "dt", "dd", "code", "samp"}
)  # fmt: skip
_ENTITY = re.compile(r"&([A-Za-z][A-Za-z0-9]*);", re.ASCII)
_IN_XML = frozenset({"amp", "lt", "gt", "quot", "apos"})
_ADDRESSES = frozenset({"href", "src", "longdesc", "cite"})
_ACTIVE = re.compile(r"\s*(?:javascript|vbscript|data:text)", re.IGNORECASE)


class _FaultError(Exception):
    """Carries what was found."""


@lru_cache(maxsize=8)
def narrative_fault(text: str | None) -> str | None:
    """What is wrong with a ``div``, in words that tell no content; None where nothing is."""
    if text is None:
        return "there is no div"
    reader = _Reader()
    try:
        reader.read(text)
    except _FaultError as fault:
        return str(fault)
    except expat.ExpatError as error:
        return f"not well-formed XML: {expat.errors.messages.get(error.code, 'a fault')}"
    return None if reader.has_content else "the div has neither text nor an image"


class _Reader:
    """Walks the XML once; raises _FaultError at the first thing that is not allowed."""

    def __init__(self) -> None:
        self.has_content = False
        self._depth = 0

    def read(self, text: str) -> None:
        parser = expat.ParserCreate()
        parser.StartElementHandler = self._start
        parser.EndElementHandler = self._end
        parser.CharacterDataHandler = self._text
        parser.StartDoctypeDeclHandler = self._refused_doctype
        parser.ProcessingInstructionHandler = self._refused_instruction
        parser.Parse(_ENTITY.sub(_as_number, text), True)

    def _start(self, name: str, attributes: dict[str, str]) -> None:
        self._depth += 1
        if self._depth > _MAX_DEPTH:
            raise _FaultError(f"elements are nested deeper than {_MAX_DEPTH}")
        if self._depth == 1:
            _check_root(name, attributes)
        if name not in _ATTRIBUTES and name not in _WITHOUT_MORE:
            raise _FaultError(f"the element {name[:40]} is not allowed")
        for attribute, value in attributes.items():
            _check_attribute(name, attribute, value)
        if name == "img":
            self.has_content = True

    def _end(self, _: str) -> None:
        self._depth -= 1

    def _text(self, text: str) -> None:
        if not self.has_content and text.strip():
            self.has_content = True

    def _refused_doctype(self, *_: object) -> None:
        raise _FaultError("a document type is not allowed")

    def _refused_instruction(self, *_: object) -> None:
        raise _FaultError("a processing instruction is not allowed")


def _check_root(name: str, attributes: dict[str, str]) -> None:
    if name != "div":
        raise _FaultError("the outermost element is not div")
    if attributes.get("xmlns") != XHTML:
        raise _FaultError(f"the div is not in the namespace {XHTML}")


def _check_attribute(element: str, attribute: str, value: str) -> None:
    if attribute not in _COMMON and attribute not in _ATTRIBUTES.get(element, ()):
        raise _FaultError(f"the attribute {attribute[:40]} is not allowed on {element}")
    if attribute == "xmlns" and value != XHTML:
        raise _FaultError("an element is not in the namespace of XHTML")
    if attribute in _ADDRESSES and _ACTIVE.match(value):
        raise _FaultError(f"{attribute} holds a script")


def _as_number(match: re.Match[str]) -> str:
    """HTML's named characters as numbers, which XML knows; others are left to fail."""
    name = match[1]
    if name in _IN_XML or name not in name2codepoint:
        return match[0]
    return f"&#{name2codepoint[name]};"
