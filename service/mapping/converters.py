"""The closed list of ways in which a document value becomes an element and comes back.

A converter writes into what is already there (``old``), so that parts of an element it does not
know are kept; given no value it takes away its own parts only, and answers None when nothing is
left. Those made by ``_written_only`` are never read: another row of the same field is.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from decimal import Decimal
from typing import Any

from service.fhir.json import JsonObject
from service.mapping.canonical import UCUM, code_system
from service.mapping.conceptmaps import Translation, is_same_coding
from service.programme.catalogue import TECHNIQUES
from service.programme.precautions import PRECAUTIONS

UCUM_UNITS = {
    "s": "s", "min": "min", "h": "h", "d": "d", "wk": "wk", "mo": "mo", "a": "a",
    "cm[H2O]": "cmH2O", "Hz": "Hz", "mL": "mL", "%": "%", "/min": "/min",
}  # fmt: skip
"""UCUM codes that we write as such, with the unit to show."""
SCALE_UNIT = "on the device's own scale"


@dataclass(frozen=True, slots=True)
class Context:
    """What a converter may know beside the value: the whole document, and its own references.

    ``links`` goes from the key of a device to the reference of its resource; ``former`` are
    references in the version before, which ``links`` take the place of.
    """

    document: JsonObject = field(default_factory=dict)
    links: Mapping[str, str] = field(default_factory=dict)
    former: frozenset[str] = frozenset()


@dataclass(frozen=True, slots=True)
class Converter:
    """``read(element, context)`` and ``write(value, old, context)``; no ``read``: written only."""

    write: Callable[[Any, Any, Context], Any]
    read: Callable[[Any, Context], Any] | None


Maps = Mapping[str, Translation]


def technique_name(code: str) -> str:
    """The catalogue's name of a technique; the code itself where the catalogue has none."""
    return TECHNIQUES[code].name if code in TECHNIQUES else code


def converter(name: str, argument: str, maps: Maps) -> Converter:
    """The converter of a table row. Raises ValueError for an unknown name or a wrong argument."""
    if name not in _MAKERS:
        raise ValueError(f"there is no converter {name!r}")
    return _MAKERS[name](argument, maps)


def as_it_is(element: Any, _: Context) -> Any:
    """How what is the same on both sides is read."""
    return element


def _same(argument: str, _: Maps) -> Converter:
    _expect_none(argument)
    return Converter(lambda value, _old, _context: value, as_it_is)


def _flag(argument: str, _: Maps) -> Converter:
    """True is written; false is what absence means."""
    _expect_none(argument)
    return Converter(lambda value, _old, _context: value or None, as_it_is)


def _quantity(unit: str, _: Maps) -> Converter:
    if unit not in UCUM_UNITS:
        raise ValueError(f"{unit!r} is not one of our UCUM units")
    parts = {"unit": UCUM_UNITS[unit], "system": UCUM, "code": unit}

    def read(element: JsonObject, _: Context) -> Any:
        return element.get("value") if element.get("code") == unit else None

    return Converter(_writes_quantity(parts), read)


def _scale(argument: str, _: Maps) -> Converter:
    """A number on the device's own scale: no unit exists for it."""
    _expect_none(argument)
    return Converter(
        _writes_quantity({"unit": SCALE_UNIT}), lambda element, _: element.get("value")
    )


def _writes_quantity(parts: JsonObject) -> Callable[[Any, Any, Context], Any]:
    def write(value: Decimal | None, old: JsonObject | None, _: Context) -> JsonObject | None:
        owned = {"value": value, **parts} if value is not None else {}
        return _merged(old, owned, ("value", "unit", "system", "code"))

    return write


def _ucum(argument: str, _: Maps) -> Converter:
    """The unit of a Quantity; one that is no UCUM unit of ours is only shown (qty-3)."""
    _expect_none(argument)

    def write(unit: str | None, old: JsonObject | None, _: Context) -> JsonObject | None:
        owned: JsonObject = {} if unit is None else {"unit": unit}
        if unit in UCUM_UNITS:
            owned = {"unit": UCUM_UNITS[unit], "system": UCUM, "code": unit}
        return _merged(old, owned, ("unit", "system", "code"))

    return Converter(write, lambda element, _: element.get("code") or element.get("unit"))


def _key(argument: str, _: Maps) -> Converter:
    """``<programme id>/<key>``: unique beyond the programme."""
    _expect_none(argument)
    return Converter(
        lambda key, _old, context: key and f"{context.document['id']}/{key}",
        lambda element, _: element.partition("/")[2] or None,
    )


def _reference(argument: str, _: Maps) -> Converter:
    """One among the references of a list: the one to a part of the same programme."""
    _expect_none(argument)

    def read(references: list[JsonObject], context: Context) -> str | None:
        keys = {reference: key for key, reference in context.links.items()}
        found = (keys.get(item.get("reference", "")) for item in references)
        return next((key for key in found if key), None)

    def write(key: str | None, old: list[JsonObject] | None, context: Context) -> Any:
        ours = context.former.union(context.links.values())
        items: list[JsonObject] = []
        wanted = [{"reference": context.links[key]}] if key else []
        for item in old or []:
            if item.get("reference") not in ours:
                items.append(item)
            elif wanted:
                items.append(item | wanted.pop())
        return items + wanted or None

    return Converter(write, read)


def _answers(system: str, _: Maps) -> Converter:
    """Items of a QuestionnaireResponse: the answer to each question, a code of ``system``."""
    url = code_system(system)

    def read(items: list[JsonObject], _: Context) -> JsonObject | None:
        found = {}
        for item in items:
            for answer in item.get("answer", []):
                coding = answer.get("valueCoding", {})
                if coding.get("system") == url and "code" in coding:
                    found[item["linkId"]] = coding["code"]
        return found or None

    def write(value: JsonObject | None, old: list[JsonObject] | None, _: Context) -> Any:
        before = {item["linkId"]: item for item in old or []}
        kept = [item for link, item in before.items() if link not in PRECAUTIONS]
        new = [
            _answered(before.get(link, {}), link, url, code) for link, code in (value or {}).items()
        ]
        return new + kept or None

    return Converter(write, read)


def _answered(old: JsonObject, link: str, system: str, code: str) -> JsonObject:
    question = {"linkId": link, "text": PRECAUTIONS[link].question}
    return question | old | {"answer": [{"valueCoding": {"system": system, "code": code}}]}


def _fixed(value: str, _: Maps) -> Converter:
    if not value:
        raise ValueError("a fixed value is expected in the column map")
    return _written_only(lambda _value, _old, _context: value)


def _fixed_coding(argument: str, _: Maps) -> Converter:
    """``system|code``, several with a blank between them."""
    wanted = [_coding(part) for part in argument.split()]
    if not wanted:
        raise ValueError("a coding is expected in the column map")
    return _written_only(
        lambda _value, old, _context: _with_codings(old, wanted, lambda _coding: False)
    )


def _translate(name: str, maps: Maps) -> Converter:
    """The code that a concept map gives for the value."""
    translation = _known(name, maps)

    def write(value: str | None, _old: Any, _: Context) -> str | None:
        found = translation.of(value) if value else []
        return found[0]["code"] if found else None

    return _written_only(write)


def _translate_coding(name: str, maps: Maps) -> Converter:
    """The codings that a concept map gives for the value, beside those that others put there."""
    translation = _known(name, maps)

    def write(value: str | None, old: Any, _: Context) -> Any:
        wanted = translation.of(value) if value else []
        return _with_codings(old, wanted, translation.gives)

    return _written_only(write)


def _technique_name(argument: str, _: Maps) -> Converter:
    _expect_none(argument)
    return _written_only(lambda code, _old, _context: code and technique_name(code))


def _written_only(write: Callable[[Any, Any, Context], Any]) -> Converter:
    return Converter(write, None)


def _merged(old: JsonObject | None, owned: JsonObject, names: tuple[str, ...]) -> JsonObject | None:
    kept = {name: part for name, part in (old or {}).items() if name not in names}
    return {**owned, **kept} or None


def _with_codings(
    old: list[JsonObject] | None,
    wanted: list[dict[str, str]],
    is_ours: Callable[[JsonObject], bool],
) -> list[JsonObject] | None:
    def is_wanted(coding: JsonObject) -> bool:
        return any(is_same_coding(coding, one) for one in wanted)

    kept = [coding for coding in old or [] if is_wanted(coding) or not is_ours(coding)]
    missing = [dict(one) for one in wanted if not any(is_same_coding(c, one) for c in kept)]
    return kept + missing or None


def _coding(text: str) -> dict[str, str]:
    system, bar, code = text.partition("|")
    if not bar or not code:
        raise ValueError(f"{text!r} is not system|code")
    return {"system": code_system(system), "code": code}


def _known(name: str, maps: Maps) -> Translation:
    if name not in maps:
        raise ValueError(f"there is no concept map {name!r}")
    return maps[name]


def _expect_none(argument: str) -> None:
    if argument:
        raise ValueError(f"this converter takes nothing in the column map, found {argument!r}")


_MAKERS: dict[str, Callable[[str, Maps], Converter]] = {
    "same": _same,
    "flag": _flag,
    "quantity": _quantity,
    "scale": _scale,
    "ucum": _ucum,
    "key": _key,
    "reference": _reference,
    "answers": _answers,
    "fixed": _fixed,
    "fixed-coding": _fixed_coding,
    "translate": _translate,
    "translate-coding": _translate_coding,
    "technique-name": _technique_name,
}
