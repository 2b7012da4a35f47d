"""The languages offered to families, and their catalogues.

English is the source: its messages stand in the code. Every other language is a gettext catalogue
in ``catalogues/`` (``fr.po``), read and compiled in memory when it is first asked for.
"""

import re
from dataclasses import dataclass
from functools import cache
from gettext import GNUTranslations, NullTranslations
from importlib import resources
from io import BytesIO
from typing import Literal

from babel import Locale, UnknownLocaleError
from babel.messages.catalog import Catalog
from babel.messages.mofile import write_mo
from babel.messages.pofile import read_po

from service.words.directions import left_to_right

SOURCE = "en"
_LETTERS = re.compile(r"\{\w*\}|[A-Za-z][A-Za-z0-9]*")
_USUAL_REGION = {"en": "en_GB"}
"""Of a language without a region: day before month and 24 hours, which nobody misreads."""


@dataclass(frozen=True, slots=True)
class Language:
    """``tag`` is BCP 47 as it stands in ``lang``; ``locale`` is what babel formats by."""

    tag: str
    catalogue: str
    locale: Locale

    @property
    def direction(self) -> Literal["ltr", "rtl"]:
        """Which way the language is written."""
        return "rtl" if self.locale.text_direction == "rtl" else "ltr"

    @property
    def name(self) -> str:
        """The language in its own words."""
        return str(self.locale.language_name)


@cache
def offered() -> tuple[str, ...]:
    """Codes of the languages that there are, the source first."""
    files = resources.files(__package__).joinpath("catalogues").iterdir()
    others = sorted(one.name.removesuffix(".po") for one in files if one.name.endswith(".po"))
    return (SOURCE, *others)


def language_of(tag: str) -> Language | None:
    """The language of a BCP 47 tag; None where there is no catalogue for it.

    A region that babel does not know is left out: ``fr-XX`` is French.
    """
    code, *further = tag.replace("_", "-").split("-")
    code = code.lower()
    if code not in offered():
        return None
    for subtags in ([code, *further], [code]):
        try:
            usual = _USUAL_REGION.get(code) if len(subtags) == 1 else None
            locale = Locale.parse(usual or "_".join(subtags))
        except (UnknownLocaleError, ValueError):
            continue
        return Language("-".join(subtags), code, locale)
    return None


@cache
def catalogue(code: str) -> NullTranslations:
    """The messages of a language; those of the source are the code's own."""
    if code == SOURCE:
        return NullTranslations()
    file = resources.files(__package__).joinpath("catalogues", f"{code}.po")
    with file.open("rb") as lines:
        messages = read_po(lines, locale=code)
    if Locale.parse(code).text_direction == "rtl":
        _keep_letters_apart(messages)
    compiled = BytesIO()
    write_mo(compiled, messages)
    compiled.seek(0)
    return GNUTranslations(compiled)


def _keep_letters_apart(messages: Catalog) -> None:
    """Latin letters in a language that is written from right to left, such as ``cmH2O``.

    Left to themselves they draw a number that comes after them to their side, beside the number
    whose unit they are (Unicode Standard Annex 9, rule W7): 20 cmH2O and 12 breaths would look like
    12 20 cmH2O.
    """
    for message in messages:
        if not message.id:
            continue
        if isinstance(message.string, str):
            message.string = _LETTERS.sub(_apart, message.string)
        elif message.string is not None:
            message.string = tuple(_LETTERS.sub(_apart, form) for form in message.string)


def _apart(found: re.Match[str]) -> str:
    is_value = found[0].startswith("{")
    return found[0] if is_value else left_to_right(found[0])
