"""The catalogues: complete, nothing left over, and the same values in every translation."""

import re
from collections.abc import Iterator
from functools import cache
from gettext import c2py
from pathlib import Path
from string import Formatter

import pytest
from babel import Locale
from babel.messages.catalog import Catalog, Message
from babel.messages.extract import extract_from_dir
from babel.messages.frontend import parse_mapping_cfg
from babel.messages.pofile import read_po

from service.words import language_of, offered

HOME = Path(__file__).resolve().parents[2]
WORDS = HOME / "service" / "words"
KEYWORDS = {"text": None, "mark": None, "plural": (1, 2), "mark_plural": (1, 2)}
OTHERS = [code for code in offered() if code != "en"]
Id = str | tuple[str, str]

SAME_IN_ANY = {"PEP", "cmH2O", "Hz", "SpO2"}
"""What stays as it is: the trade's own name of the technique, and units."""


@cache
def in_the_code() -> frozenset[Id]:
    """Every message that the code and the templates ask for."""
    with (WORDS / "babel.cfg").open(encoding="utf-8") as lines:
        methods, options = parse_mapping_cfg(lines)
    rooms = (HOME / "service" / room for room in ("words", "pages"))
    return frozenset(
        found[2]
        for room in rooms
        for found in extract_from_dir(str(room), methods, options, KEYWORDS)
    )


@cache
def catalogue_of(code: str) -> Catalog:
    with (WORDS / "catalogues" / f"{code}.po").open("rb") as lines:
        return read_po(lines, locale=code)


def messages(code: str) -> Iterator[Message]:
    return (one for one in catalogue_of(code) if one.id)


def forms(message: Message) -> tuple[str, ...]:
    found = message.string
    return (found,) if isinstance(found, str) else tuple(found)


def placeholders(text: str) -> set[str]:
    return {name for _, name, _, _ in Formatter().parse(text) if name is not None}


def test_english_and_two_more_are_offered_one_of_them_right_to_left() -> None:
    assert offered()[0] == "en"
    assert {"fr", "ar"} <= set(offered())
    directions = {code: language_of(code).direction for code in offered()}  # type: ignore[union-attr]
    assert directions["ar"] == "rtl"
    assert directions["en"] == directions["fr"] == "ltr"


def test_no_message_is_asked_for_in_two_ways() -> None:
    """With and without a plural a message would be one entry in a catalogue."""
    single = {one for one in in_the_code() if isinstance(one, str)}
    plural = {one[0] for one in in_the_code() if not isinstance(one, str)}
    assert not single & plural


@pytest.mark.parametrize("code", OTHERS)
def test_every_message_is_translated_and_none_is_left_over(code: str) -> None:
    ids = {one.id for one in messages(code)}
    assert in_the_code() - ids == set(), "messages without translation"
    assert ids - in_the_code() == set(), "translations that nothing asks for"
    empty = [one.id for one in messages(code) if not all(forms(one)) or one.fuzzy]
    assert empty == []


@pytest.mark.parametrize("code", OTHERS)
def test_translations_hold_the_values_of_their_message(code: str) -> None:
    for one in messages(code):
        ids = (one.id,) if isinstance(one.id, str) else one.id
        expected = placeholders(ids[-1])
        for form in forms(one):
            spelt_out = expected - placeholders(form)
            assert placeholders(form) <= expected, one.id
            assert spelt_out <= ({"n"} if len(ids) > 1 else set()), one.id
        if len(ids) > 1 and "n" in expected:
            assert "n" in placeholders(forms(one)[-1]), one.id


@pytest.mark.parametrize("code", OTHERS)
def test_only_forms_for_one_and_two_leave_out_the_number(code: str) -> None:
    plural = catalogue_of(code).plural_expr
    for one in messages(code):
        if isinstance(one.id, str) or "n" not in placeholders(one.id[-1]):
            continue
        for at, form in enumerate(forms(one)):
            if "n" not in placeholders(form):
                meant = [n for n in range(130) if _form_of(plural, n) == at]
                assert any(n in (1, 2) for n in meant), one.id


@pytest.mark.parametrize("code", OTHERS)
def test_plural_forms_are_those_of_the_unicode_plural_rules(code: str) -> None:
    """CLDR (as babel has it) puts the same numbers together as the catalogue does."""
    rule = Locale.parse(code).plural_form
    plural = catalogue_of(code).plural_expr
    pairs = {(rule(n), _form_of(plural, n)) for n in range(1000)}
    assert len({form for _, form in pairs}) == len({tag for tag, _ in pairs}) == len(pairs)
    assert len(pairs) == {"fr": 2, "ar": 6}[code]
    assert catalogue_of(code).num_plurals == len(pairs)


@pytest.mark.parametrize("code", OTHERS)
def test_no_translation_is_english(code: str) -> None:
    for one in messages(code):
        ids = (one.id,) if isinstance(one.id, str) else one.id
        for form in forms(one):
            words = set(re.findall(r"[^\W\d_]{2,}", re.sub(r"\{\w+\}", "", form)))
            if words - SAME_IN_ANY and form in ids:
                assert form in ALIKE[code], one.id


ALIKE: dict[str, set[str]] = {"fr": {"{n} minute", "{n} minutes", "Position"}, "ar": set()}
"""What the language happens to say as English does."""


def test_arabic_is_written_in_arabic_letters() -> None:
    for one in messages("ar"):
        for form in forms(one):
            latin = set(re.findall(r"[A-Za-z]\w+", re.sub(r"\{\w+\}", "", form)))
            assert latin <= SAME_IN_ANY, one.id


def _form_of(plural: str, n: int) -> int:
    """The plural expression, which is C, read by Python's own gettext."""
    return int(_compiled(plural)(n))


_compiled = cache(c2py)
