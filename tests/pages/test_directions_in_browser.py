"""Numbers beside Latin letters in a language that is written from right to left, in a real browser.

Left to itself a browser draws "20 cmH2O, 12 breaths" there as "12 20 cmH2O" (Unicode Standard
Annex 9): numbers of a prescription change places.
"""

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
PLACES = """() => {
  const walk = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT), found = [];
  for (let node = walk.nextNode(); node; node = walk.nextNode())
    for (const word of node.textContent.matchAll(/[0-9]+(?![A-Za-z0-9])|[A-Za-z][A-Za-z0-9]*/g)) {
      const range = document.createRange();
      range.setStart(node, word.index);
      range.setEnd(node, word.index + word[0].length);
      found.push([word[0], range.getBoundingClientRect().left]);
    }
  return found; }"""


@pytest.mark.parametrize("lang", FROM_RIGHT_TO_LEFT)
def test_they_stand_in_the_order_in_which_they_are_read(chromium: Any, lang: str) -> None:
    words = words_of(lang)
    line = words.joined(words.dose(Dose.model_validate(DOSE)))
    page = chromium.new_page()
    page.set_content(f'<body dir="rtl" style="white-space: nowrap">{line}</body>')
    placed = page.evaluate(PLACES)
    page.close()
    told = [word for word, _ in placed]
    assert {"10", "20", "cmH2O", "12", "Hz", "35", "40", "7"} <= set(told)
    assert sorted(placed, key=lambda one: -one[1]) == placed
