"""The review in a real browser: accessible by axe-core, readable on a phone and on paper."""

import io
from collections.abc import Iterator
from typing import Any

import pytest
from browsers import faults_of_access
from pypdf import PdfReader
from review_samples import REVIEWS, review_of

from service.pages.review import chart_svg, review_html
from service.words import offered, words_of

PHONE = {"width": 375, "height": 800}
A4 = (595, 842)
"""Width and height in points (ISO 216: 210 x 297 mm)."""


@pytest.fixture
def page(chromium: Any) -> Iterator[Any]:
    opened = chromium.new_page(viewport=PHONE)
    yield opened
    opened.close()


def shown(page: Any, name: str, lang: str, *, opened: bool) -> None:
    """``opened``: with the tables beside the charts unfolded."""
    html = review_html(review_of(name), words_of(lang))
    page.set_content(html.replace("<details>", "<details open>") if opened else html)


@pytest.mark.parametrize("opened", [False, True], ids=["folded", "unfolded"])
@pytest.mark.parametrize("lang", offered())
@pytest.mark.parametrize("name", REVIEWS)
def test_axe_finds_no_violation(page: Any, name: str, lang: str, opened: bool) -> None:
    shown(page, name, lang, opened=opened)
    assert faults_of_access(page) == []


@pytest.mark.parametrize("lang", offered())
@pytest.mark.parametrize("name", REVIEWS)
def test_on_a_phone_nothing_is_wider_than_the_screen(page: Any, name: str, lang: str) -> None:
    shown(page, name, lang, opened=True)
    assert page.evaluate("document.documentElement.scrollWidth") <= PHONE["width"]


@pytest.mark.parametrize("lang", offered())
def test_letters_of_the_charts_can_be_read_on_a_phone(page: Any, lang: str) -> None:
    shown(page, "full", lang, opened=False)
    heights = page.evaluate(
        "[...document.querySelectorAll('svg.chart text')].map(t => "
        "parseFloat(t.getAttribute('font-size')) * t.getScreenCTM().a)"
    )
    assert len(heights) > 40
    assert min(heights) >= 7.5


@pytest.mark.parametrize("lang", offered())
def test_words_of_the_charts_stay_on_them_and_off_each_other(page: Any, lang: str) -> None:
    page.set_content(chart_svg(review_of("full"), words_of(lang)))
    found = page.evaluate("""() => {
      const frame = document.querySelector('svg').getBoundingClientRect();
      const all = [...document.querySelectorAll('text')].map(t =>
        [t.textContent, t.getBoundingClientRect()]);
      const out = all.filter(([w, r]) => r.left < frame.left - 1 || r.right > frame.right + 1);
      const shrunk = all.map(([w, r]) => [w, r.left + 1, r.right - 1, r.top + 4, r.bottom - 4]);
      const hits = [];
      shrunk.forEach(([w, l, r, t, b], i) => shrunk.slice(i + 1).forEach(([v, m, s, u, c]) => {
        if (l < s && m < r && t < c && u < b) hits.push(w + ' / ' + v); }));
      return [out.map(([w]) => w), hits];
    }""")
    assert found == [[], []]


def test_everything_is_black_on_white(page: Any) -> None:
    """Nothing is said by colour alone, and it prints in black and white."""
    shown(page, "full", "en", opened=True)
    colours = page.evaluate(
        "[...new Set([...document.querySelectorAll('body, body *')].map(e => {"
        "const s = getComputedStyle(e);"
        "return [s.color, s.backgroundColor, s.borderTopColor].join('|') }))]"
    )
    assert {colour for one in colours for colour in one.split("|")} <= {
        "rgb(0, 0, 0)", "rgb(255, 255, 255)", "rgba(0, 0, 0, 0)",
    }  # fmt: skip


@pytest.mark.parametrize("name", REVIEWS)
def test_it_prints_on_at_most_two_pages_of_a4(page: Any, name: str) -> None:
    shown(page, name, "en", opened=False)
    pages = PdfReader(io.BytesIO(page.pdf(prefer_css_page_size=True))).pages
    box = pages[0].mediabox
    assert (round(box.width), round(box.height)) == A4
    assert len(pages) <= 2
