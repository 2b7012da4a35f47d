"""The sheet on paper: one page, text in order, fonts inside, Arabic shaped.

Read back with pypdf, which did not make it.
"""

import io
import re
import unicodedata
from typing import Any

import pytest
from pypdf import PdfReader
from sheet_samples import programmes, sheet_of

from service.pages import COPIES, Copy, Paper, sheet_html
from service.pages.paper import PaperError, pdf
from service.words import words_of

PROGRAMMES = programmes()
SCHOOL = PROGRAMMES["home-c-01 from 2026-01-01"]
MASK = PROGRAMMES["home-c-21 from 2026-01-01"]
SIZES = {"A4": (595, 842), "Letter": (612, 792)}
"""Width and height in points: ISO 216 (210 x 297 mm), ANSI/ASME Y14.1 (8.5 x 11 in)."""


@pytest.fixture(scope="module", autouse=True)
def _pango() -> None:
    try:
        pdf("<!doctype html><html lang=en><title>x</title><p>x</p></html>")
    except PaperError as error:
        pytest.skip(str(error))


def printed(name: str, copy: Copy, lang: str, paper: Paper) -> PdfReader:
    html = sheet_html(sheet_of(PROGRAMMES[name]), words_of(lang), copy, paper=paper)
    return PdfReader(io.BytesIO(pdf(html)))


def fonts(reader: PdfReader) -> list[Any]:
    found = []
    for page in reader.pages:
        for reference in page["/Resources"]["/Font"].values():
            found += [one.get_object() for one in reference.get_object()["/DescendantFonts"]]
    return found


@pytest.mark.parametrize("paper", ["A4", "Letter"])
@pytest.mark.parametrize("name", sorted(PROGRAMMES))
def test_every_programme_fits_one_page(name: str, paper: Paper) -> None:
    reader = printed(name, "family", "en", paper)
    assert len(reader.pages) == 1
    box = reader.pages[0].mediabox
    assert (round(box.width), round(box.height)) == SIZES[paper]


@pytest.mark.parametrize("lang", ["en", "fr", "ar"])
@pytest.mark.parametrize("copy", COPIES)
def test_the_fullest_fits_one_page_in_every_copy_and_language(copy: Copy, lang: str) -> None:
    assert len(printed("home-c-01 from 2026-01-01", copy, lang, "Letter").pages) == 1


def test_the_text_comes_in_reading_order() -> None:
    text = " ".join(printed("home-c-01 from 2026-01-01", "family", "en", "A4").pages[0]
                    .extract_text().split())  # fmt: skip
    order = [
        "Ottoline Paperlantern", "On well days", "every day at 07:15", "6 rounds", "Medicine",
        "Long breath out", "every Saturday", "On unwell days", "4 rounds", "STOP and get help",
        "Whom to call", "Next check", "Only the team may change this plan.",
    ]  # fmt: skip
    places = [text.index(words) for words in order]
    assert places == sorted(places)


def test_it_is_tagged_for_those_who_cannot_see_it() -> None:
    root = printed("home-c-01 from 2026-01-01", "family", "fr", "A4").trailer["/Root"]
    assert root["/MarkInfo"]["/Marked"]
    assert root["/Lang"] == "fr"
    assert "/StructTreeRoot" in root


@pytest.mark.parametrize("lang", ["en", "ar"])
def test_fonts_are_inside(lang: str) -> None:
    found = fonts(printed("home-c-21 from 2026-02-18", "family", lang, "A4"))
    assert found
    for font in found:
        described = font["/FontDescriptor"]
        assert {"/FontFile2", "/FontFile3"} & set(described), font["/BaseFont"]


def test_arabic_is_shaped() -> None:
    """Letters take the form of their place in the word: the same letter is drawn by several
    glyphs, which the font's map back to text shows."""
    reader = printed("home-c-21 from 2026-02-18", "family", "ar", "A4")
    glyphs: dict[str, set[str]] = {}
    for reference in reader.pages[0]["/Resources"]["/Font"].values():
        table = reference.get_object()["/ToUnicode"].get_object().get_data().decode("latin-1")
        for glyph, text in re.findall(r"<([0-9A-Fa-f]{4})>\s*<([0-9A-Fa-f]{4})>", table):
            letter = chr(int(text, 16))
            if "ARABIC LETTER" in unicodedata.name(letter, ""):
                glyphs.setdefault(letter, set()).add(reference.idnum * 0x10000 + int(glyph, 16))
    shaped = [letter for letter, forms in glyphs.items() if len(forms) >= 3]
    assert len(shaped) >= 8, glyphs


def test_what_does_not_fit_goes_on_a_second_page_and_is_not_cut() -> None:
    notes = tuple(f"Note number {number} of a plan that says a great deal." for number in range(90))
    programme = SCHOOL.model_copy(update={"note": notes})
    html = sheet_html(sheet_of(programme), words_of("en"), "family")
    reader = PdfReader(io.BytesIO(pdf(html)))
    assert len(reader.pages) > 1
    text = " ".join(" ".join(page.extract_text() for page in reader.pages).split())
    assert all(note in text for note in notes)


def test_paper_asks_nobody_for_anything() -> None:
    html = '<html lang="en"><title>x</title><img alt="x" src="file:///etc/hostname"></html>'
    assert len(PdfReader(io.BytesIO(pdf(html))).pages[0].images) == 0
