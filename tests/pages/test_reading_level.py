"""The English of the sheet can be read by a child of twelve.

Measured with textstat's Flesch-Kincaid grade (Kincaid et al. 1975, Navy research branch report
8-75: a US school grade from words a sentence and syllables a word). A line of a list or a heading
is read as a sentence. Because such lines are short and flatter the figure, the running text (blocks
of six words or more) is measured by itself as well. Names and phone numbers are left out.
"""

import re

import pytest
import textstat
from page_text import blocks
from sheet_samples import programmes, sheet_of

from service.pages import Copy, sheet_html
from service.programme.plan import Programme
from service.programme.standing import Kind, Standing
from service.words import words_of

GRADE = 6.0
FAMILIES: tuple[Copy, ...] = ("family", "school")
KINDS: tuple[Kind, ...] = (
    "draft", "not-yet", "on-hold", "paused", "replaced", "over", "revoked", "entered-in-error",
)  # fmt: skip


def english(html: str, programme: Programme, *, ours_only: bool, least: int = 1) -> str:
    """The blocks of so many words or more as sentences: each block ends in a full stop."""
    names = [programme.child.name, programme.author.name]
    left_out = [name.text for name in names if name] + [programme.team.name or "-"]
    lines = []
    for block in blocks(html, ours_only=ours_only):
        for name in left_out:
            block = block.replace(name, "")
        block = re.sub(r"\+\d[\d ]*", " ", block).strip(" .,:;-")
        if re.search(r"[a-z]", block) and len(block.split()) >= least:
            lines.append(f"{block}.")
    return " ".join(lines)


def grade(text: str) -> float:
    return float(textstat.flesch_kincaid_grade(text))


def test_the_measure_knows_hard_from_easy() -> None:
    """So that a low figure means something: a sentence of the trade is far above the limit."""
    hard = (
        "Oscillating positive expiratory pressure facilitates mucociliary clearance by means of "
        "intermittent endobronchial vibration and the prevention of premature airway closure."
    )
    assert grade(hard) > 15
    assert grade("Sit up. Breathe out for a long time. Then huff and cough.") < 3


@pytest.mark.parametrize("copy", FAMILIES)
@pytest.mark.parametrize("name", sorted(programmes()))
@pytest.mark.parametrize("ours_only", [True, False], ids=["ours", "whole"])
def test_the_sheet_is_at_most_grade_six(name: str, copy: Copy, ours_only: bool) -> None:
    """Our own words, and the page with what the invented clinicians wrote."""
    programme = programmes()[name]
    html = sheet_html(sheet_of(programme), words_of("en"), copy)
    text = english(html, programme, ours_only=ours_only)
    running = english(html, programme, ours_only=ours_only, least=6)
    assert len(text.split()) > len(running.split()) > 60
    assert grade(text) <= GRADE
    assert grade(running) <= GRADE


@pytest.mark.parametrize("kind", KINDS)
def test_the_notices_are_at_most_grade_six(kind: Kind) -> None:
    programme = next(iter(programmes().values()))
    html = sheet_html(sheet_of(programme, standing=Standing(kind)), words_of("en"), "family")
    assert grade(english(html, programme, ours_only=True)) <= GRADE
