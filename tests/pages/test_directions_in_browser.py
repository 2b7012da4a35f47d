"""Numbers, signs and Latin letters in a language that is written from right to left, in a browser.

Left to itself it draws "20 cmH2O, 12 breaths" there as "12 20 cmH2O", and "-40" as "40-" (Unicode
Standard Annex 9): numbers of a prescription change places.
"""

from collections.abc import Iterator
from typing import Any

import pytest

from service.programme.dose import Dose
from service.words import language_of, offered, words_of

DOSE = {
    "basis": "cycles",
    "cycles": 5,
    "interface": {"kind": "mask", "size": "small"},
    "pressure": {"low": 10, "high": 20},
    "breaths": 12,
    "frequency": {"low": 14, "high": 16},
    "insufflation": {"pressure": 35, "seconds": 3},
    "exsufflation": {"pressure": -40, "seconds": 6},
    "huffs": 4,
    "setting": {"value": 7},
}
FROM_RIGHT_TO_LEFT = [
    tag for tag in offered() if (found := language_of(tag)) and found.direction == "rtl"
]
WORDS, SIGNS = "[0-9]+(?![A-Za-z0-9])|[A-Za-z][A-Za-z0-9]*", "[-+]|(?<=[-+])[0-9]+"
PLACES = """sought => {
  const walk = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT), found = [];
  for (let node = walk.nextNode(); node; node = walk.nextNode())
    for (const word of node.textContent.matchAll(new RegExp(sought, 'g'))) {
      const range = document.createRange();
      range.setStart(node, word.index);
      range.setEnd(node, word.index + word[0].length);
      found.push([word[0], range.getBoundingClientRect().left]);
    }
  return found; }"""


@pytest.fixture(params=FROM_RIGHT_TO_LEFT)
def line(request: pytest.FixtureRequest, chromium: Any) -> Iterator[Any]:
    """A page with the dose in one line."""
    words = words_of(request.param)
    told = words.joined(words.dose(Dose.model_validate(DOSE)))
    page = chromium.new_page()
    page.set_content(f'<body dir="rtl" style="white-space: nowrap">{told}</body>')
    yield page
    page.close()


def test_they_stand_in_the_order_in_which_they_are_read(line: Any) -> None:
    placed = line.evaluate(PLACES, WORDS)
    told = [word for word, _ in placed]
    assert {"10", "20", "cmH2O", "12", "Hz", "35", "40", "7"} <= set(told)
    assert sorted(placed, key=lambda one: -one[1]) == placed


def test_a_sign_stands_to_the_left_of_its_number(line: Any) -> None:
    placed = line.evaluate(PLACES, SIGNS)
    assert [word for word, _ in placed] == ["+", "35", "-", "40"]
    plus, over, minus, under = [left for _, left in placed]
    assert plus < over
    assert minus < under
