"""What the review draws and says, for appointments made by hand."""

import re
from datetime import date

import pytest
from page_text import text_of
from review_samples import REVIEWS, full, review_of

from service.pages.review import chart_svg, review_html
from service.pages.review.page import MOST_SIGNS, Picture
from service.pages.review.strip import strip
from service.pages.review.terms import NAMES, STEPS
from service.programme.adherence.days import Day, DayKind
from service.programme.catalogue import TECHNIQUES
from service.programme.course import course, signs
from service.programme.review import REVIEW_STEPS
from service.words import offered, words_of

ENGLISH = words_of("en")


@pytest.mark.parametrize("lang", offered())
@pytest.mark.parametrize("name", REVIEWS)
def test_every_review_is_told_and_drawn_in_every_language(name: str, lang: str) -> None:
    told = review_html(review_of(name), words_of(lang))
    assert f'<html lang="{lang}"' in told
    assert text_of(told)
    assert chart_svg(review_of(name), words_of(lang)).startswith("<svg")


def test_techniques_and_steps_have_the_names_of_the_catalogue() -> None:
    assert {code: one.name for code, one in TECHNIQUES.items()} == dict(NAMES)
    assert dict(REVIEW_STEPS) == dict(STEPS)


def test_silence_is_told_beside_the_figures_and_before_them() -> None:
    told = text_of(review_html(full(), ENGLISH))
    acting = told[told.index("Before you act") : told.index("In force")]
    assert re.search(r"\d+ days without a log: 5 March 2031 to 22 March 2031", acting)
    assert "Silence is not refusal: ask the family." in acting
    assert "rows have a clock in doubt and stand on no day" in acting
    assert "1 entry cannot be read and is not in this picture." in acting
    figures = told[told.index("Done and due") : told.index("Day by day")]
    assert re.search(r"Days with anything due: \d+ with a log, \d+ without any", figures)


def test_what_is_open_stands_before_what_was_answered() -> None:
    told = review_html(full(), ENGLISH)
    findings = told[told.index("<h2>Safety findings") :]
    assert findings.index(">open<") < findings.index(">answered<")
    assert "Seen on 23 May." in text_of(findings[: findings.index("</section>")])


def test_a_week_nobody_logged_is_a_ring_and_no_interval() -> None:
    """Of the sample's silent spell one whole week has no log at all."""
    picture = Picture(full(), ENGLISH)
    silent = [week for week in picture.weeks if week.is_silent]
    assert [week.first for week in silent] == [date(2031, 3, 10)]
    assert "1 week without any log is left out." in text_of(review_html(full(), ENGLISH))


def test_missing_measures_are_left_out_and_not_zero() -> None:
    """A child whose sessions say nothing of sputum has no panel of it."""
    quiet = review_of("fortnight")
    assert all(week.volume is None for week in course(quiet.answer, Picture(quiet, ENGLISH).weeks))
    told = review_html(quiet, ENGLISH)
    assert "Sputum, mL a session" not in told
    assert "Sputum, mL a session" in review_html(full(), ENGLISH)


def test_signs_in_words_are_bounded_and_the_rest_is_counted() -> None:
    found = len(signs(full().answer))
    told = text_of(review_html(full(), ENGLISH))
    assert found > MOST_SIGNS
    assert f"{found - MOST_SIGNS} earlier one" in told


def test_a_long_name_is_written_smaller() -> None:
    sizes = re.findall(r'font-size="([\d.]+)" font-weight="700"', chart_svg(full(), ENGLISH))
    assert float(sizes[0]) < 8


@pytest.mark.parametrize("kind", ["done", "part", "open", "unlogged", "paused", "not-due"])
def test_each_kind_of_day_has_a_shape_of_its_own(kind: DayKind) -> None:
    """Shapes and not colours tell days apart: no two kinds draw the same for a day."""
    drawn = {other: _drawn(other) for other in _KINDS}
    assert [other for other in _KINDS if drawn[other] == drawn[kind]] == [kind]


_KINDS: tuple[DayKind, ...] = (
    "done", "part", "open", "unlogged", "paused", "not-due", "no-plan",
)  # fmt: skip


def _drawn(kind: DayKind) -> list[str]:
    day = Day(date(2031, 5, 1), kind, "well", due=0, done=0, sessions=0, rows=0)
    return strip([day], {}, (), Picture(full(), ENGLISH).speech).parts
