"""The sheet in a real browser: accessible by axe-core, and readable on a phone."""

from collections.abc import Iterator
from typing import Any

import pytest
from browsers import faults_of_access
from sheet_samples import programmes, sheet_of

from service.pages import COPIES, Copy, sheet_html
from service.programme.standing import Kind, Standing
from service.words import offered, words_of

PROGRAMMES = programmes()
PHONE = {"width": 360, "height": 740}


@pytest.fixture
def page(chromium: Any) -> Iterator[Any]:
    opened = chromium.new_page(viewport=PHONE)
    yield opened
    opened.close()


def test_axe_finds_what_is_wrong(page: Any) -> None:
    """So that its silence means something."""
    page.set_content('<html><body><img src="data:,"><h3></h3></body></html>')
    assert any("image-alt" in fault for fault in faults_of_access(page))
    assert any("html-has-lang" in fault for fault in faults_of_access(page))


@pytest.mark.parametrize("lang", offered())
@pytest.mark.parametrize("copy", COPIES)
@pytest.mark.parametrize("name", ["home-c-01 from 2026-01-01", "home-c-37 from 2026-01-01"])
def test_axe_finds_no_violation(page: Any, name: str, copy: Copy, lang: str) -> None:
    page.set_content(sheet_html(sheet_of(PROGRAMMES[name]), words_of(lang), copy))
    assert faults_of_access(page) == []


@pytest.mark.parametrize("lang", offered())
@pytest.mark.parametrize("kind", ["draft", "replaced", "entered-in-error"])
def test_axe_finds_no_violation_in_notices(page: Any, kind: Kind, lang: str) -> None:
    sheet = sheet_of(next(iter(PROGRAMMES.values())), standing=Standing(kind), in_force="#newer")
    page.set_content(sheet_html(sheet, words_of(lang), "family"))
    assert faults_of_access(page) == []


@pytest.mark.parametrize("lang", offered())
@pytest.mark.parametrize("name", sorted(PROGRAMMES))
def test_on_a_phone_nothing_is_wider_than_the_screen(page: Any, name: str, lang: str) -> None:
    page.set_content(sheet_html(sheet_of(PROGRAMMES[name]), words_of(lang), "family"))
    assert page.evaluate("document.documentElement.scrollWidth") <= PHONE["width"]


def test_numbers_are_larger_than_the_words_around_them(page: Any) -> None:
    page.set_content(sheet_html(sheet_of(PROGRAMMES["home-c-01 from 2026-01-01"]),
                                words_of("en"), "family"))  # fmt: skip
    sizes = page.evaluate(
        "[...document.querySelectorAll('.step b.n')].map(b => parseFloat(getComputedStyle(b)"
        ".fontSize) / parseFloat(getComputedStyle(b.parentElement).fontSize))"
    )
    assert len(sizes) > 10
    assert min(sizes) >= 1.4


def test_everything_is_black_on_white(page: Any) -> None:
    """Nothing is said by colour alone, and it prints in black and white."""
    page.set_content(sheet_html(sheet_of(PROGRAMMES["home-c-01 from 2026-01-01"]),
                                words_of("en"), "family"))  # fmt: skip
    colours = page.evaluate(
        "[...new Set([...document.querySelectorAll('body, body *')].map(e => {"
        "const s = getComputedStyle(e);"
        "return [s.color, s.backgroundColor, s.borderTopColor].join('|') }))]"
    )
    assert {colour for one in colours for colour in one.split("|")} <= {
        "rgb(0, 0, 0)", "rgb(255, 255, 255)", "rgba(0, 0, 0, 0)",
    }  # fmt: skip
