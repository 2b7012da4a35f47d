"""The sheet: whole, in three copies, and never silent about a plan that must not be followed."""

import re
from datetime import date
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from page_text import blocks, pieces, text_of
from sheet_samples import ADDRESS, programmes, sheet_of
from strategies import programmes as any_programmes

from service.pages import COPIES, Change, Copy, sheet_html
from service.programme.plan import Programme
from service.programme.standing import Kind, Standing
from service.words import offered, words_of

PROGRAMMES = programmes()
SCHOOL = PROGRAMMES["home-c-01 from 2026-01-01"]
MASK = PROGRAMMES["home-c-21 from 2026-01-01"]
TEENAGER = PROGRAMMES["home-c-11 from 2026-01-01"]
EARLY = PROGRAMMES["home-c-37 from 2026-01-01"]
UNWELL_ONLY = PROGRAMMES["home-c-38 from 2026-01-01"]
EITHER = PROGRAMMES["home-c-35 from 2026-01-01"]


def shown(programme: Programme, copy: Copy = "family", lang: str = "en", **changes: Any) -> str:
    return sheet_html(sheet_of(programme, **changes), words_of(lang), copy)


def column(html: str, state: str) -> str:
    found = re.search(rf'<section class="column {state}">(.*?)\n</section>', html, re.DOTALL)
    assert found, state
    return text_of(f"<div>{found[1]}</div>")


def test_the_family_copy_says_all_that_is_to_be_done() -> None:
    html = shown(SCHOOL)
    well, unwell = column(html, "well"), column(html, "unwell")
    for told in (
        "every day at 07:15", "6 rounds", "hypertonic saline: 10 minutes before this",
        "Sit up straight", "Do not: Lie flat on the back", "Lips tight", "Device setting: 3",
        "Pressure: 10 to 20 cmH2O", "10 breaths in each round", "Hold the breath for 3 seconds",
        "Breathe out for 4 seconds", "1 huff in each round", "1 cough in each round",
        "Keep the cheeks firm.", "every Saturday at 10:30", "30 minutes in all",
    ):  # fmt: skip
        assert told in well, told
    assert "every day at 07:15 and 18:00" in unwell
    assert "4 rounds" in unwell
    assert "in place of the plan for well days" in unwell
    assert "Exercise" not in unwell
    rest = text_of(html)
    for told in (
        "Ottoline Paperlantern", "Plan number 1, from 1 January 2026.", "STOP and get help",
        "More than streaks of blood come up", "+44 1632 960001", "Clean: once a day",
        "As the maker's sheet says", "6 July 2026", "Run the whole sports day without stopping",
        "Nothing coming up is normal.", "No one reads the diary at once.",
        "Written by Marmaduke Featherstonecraft.", "What the team tells you comes first.",
    ):  # fmt: skip
        assert told in rest, told


def test_steps_come_in_the_order_of_doing() -> None:
    well = column(shown(SCHOOL), "well")
    order = ["Medicine", "Sit up straight", "Lips tight", "Long breath out", "Huff", "Cough"]
    places = [well.index(word) for word in order]
    assert places == sorted(places)


def test_what_is_done_when_well_and_unwell_stands_in_full_once() -> None:
    html = shown(MASK)
    assert "12 breaths in each round" in column(html, "well")
    unwell = column(html, "unwell")
    assert "Also, as on well days: PEP" in unwell
    assert "every day at 07:30 and 18:15" in unwell
    assert "every day at 12:30" in unwell


def test_one_column_where_nothing_tells_the_states_apart() -> None:
    html = shown(TEENAGER)
    assert "Well or unwell: do the same" in text_of(html)
    assert html.count('<section class="column') == 1


def test_a_plan_without_anything_for_one_state_says_so() -> None:
    assert "when needed" in column(shown(UNWELL_ONLY), "well")
    without = UNWELL_ONLY.model_copy(update={"regimen": UNWELL_ONLY.regimen[:1]})
    assert "Nothing to do." in column(shown(without), "well")
    only_well = SCHOOL.model_copy(update={"regimen": SCHOOL.regimen[:1]})
    assert "No plan for unwell days. Ask the team" in column(shown(only_well), "unwell")


def test_what_falls_on_today_is_marked_on_the_screen_alone() -> None:
    marks = {"opep": True, "exercise": False}
    html = shown(SCHOOL, for_today=marks)
    well = column(html, "well")
    assert well.index("Today") < well.index("every day at 07:15")
    assert well.index("Not today") < well.index("every Saturday")
    assert html.count('<p class="screen-only">') == 2
    paused = shown(SCHOOL, for_today=marks, standing=Standing("paused", "plan-1"))
    assert "Not today" not in text_of(paused)


def test_how_long_the_child_may_be_unwell_stands_in_the_unwell_column() -> None:
    html = shown(SCHOOL.model_copy(update={"unwell_days": 3}))
    assert "Unwell for more than 3 days? Call the team." in column(html, "unwell")
    assert "more than 3 days" not in column(html, "well")


def test_of_alternatives_one_is_enough() -> None:
    told = text_of(shown(EITHER))
    assert told.count("One is enough.") == 2


def test_a_caution_that_was_overridden_stands_where_it_is_acted_upon() -> None:
    card = column(shown(EARLY), "any")
    assert card.index("younger than is usual") < card.index("Lips tight")
    assert "Agreed by Isolde Thimblewick" in card
    assert "Seals the lips well" in card


def test_the_school_is_told_to_take_care_and_not_why() -> None:
    told = text_of(shown(EARLY.model_copy(update={"regimen": (
        EARLY.regimen[0].model_copy(update={"place": ("school",)}),)}), "school"))  # fmt: skip
    assert "The team agreed to a point of caution here." in told
    assert "Seals the lips well" not in told


def test_a_plan_that_builds_up_says_where_to_begin_first() -> None:
    card = column(shown(EARLY), "any")
    assert card.index("Start with 4 breaths") < card.index("Build up to 10 breaths")


def test_the_school_copy_says_less() -> None:
    diagnosed = TEENAGER.model_copy(
        update={"title": "For bronchiectasis", "change_reason": "bronchiectasis is worse"}
    )
    html = shown(diagnosed, "school")
    told = text_of(html).lower()
    assert "swimming, running or dancing" in told
    assert "every tuesday and saturday at 16:00" in told
    assert "at school or in other places" in told
    assert "who helps:" in told
    assert "then call the parents" in told
    assert "autogenic" not in told, "that is done at home"
    assert "bronchiectasis" not in told
    ours = " ".join(blocks(html, ours_only=True)).lower()
    for word in ("sputum", "phlegm", "mucus", "diary", "diagnosis", "aim", "born"):
        assert word not in ours, word
    assert text_of(shown(MASK, "school")).count("Nothing to do at school.") == 1


def test_the_local_hospital_copy_says_more() -> None:
    history = (
        Change(1, date(2026, 1, 1), "Isolde Thimblewick", None),
        Change(2, date(2026, 3, 23), "Marmaduke Featherstonecraft", "Two more breaths a round."),
    )
    told = text_of(shown(SCHOOL, "local-hospital", changes=history))
    for words in (
        "In an emergency", "Treat the child first, by your local policy.", "pneumothorax",
        "Cystic fibrosis", "C-01", "2014-02-03", "scale 1 to 5", "Counted in rounds",
        "Two more breaths a round.", "23 March 2026", "children's respiratory physiotherapist",
        "Philippa Quillfeather", "Sessions in a week",
    ):  # fmt: skip
        assert words in told, words
        assert words not in text_of(shown(SCHOOL, "school")), words


STANDINGS: list[tuple[Kind, str, bool]] = [
    ("draft", "DRAFT. Do not follow this plan.", True),
    ("not-yet", "NOT YET. This plan starts on", True),
    ("on-hold", "ON HOLD. Do not do this plan now.", True),
    ("paused", "PAUSED. Nothing is due now.", True),
    ("replaced", "OLD PLAN. Do not follow it.", False),
    ("over", "This plan has ended. Do not follow it.", False),
    ("revoked", "WITHDRAWN. Do not follow this plan.", False),
    ("entered-in-error", "MISTAKE. Do not follow this plan.", False),
]


@pytest.mark.parametrize("copy", COPIES)
@pytest.mark.parametrize(("kind", "told", "steps"), STANDINGS)
def test_a_plan_that_must_not_be_followed_says_so_first_and_large(
    copy: Copy, kind: Kind, told: str, steps: bool
) -> None:
    standing = Standing(kind, None, start=date(2026, 7, 1))
    html = shown(SCHOOL, copy, standing=standing)
    text = text_of(html)
    assert '<section class="notice" role="alert">' in html
    assert told in text
    assert "+44 1632 960001" in text, "whom to call"
    first_step = "Nothing to do at school" if copy == "school" else "6 rounds"
    assert (first_step in text) == steps
    if steps:
        assert text.index(told) < text.index(first_step)


def test_there_is_a_case_for_every_standing() -> None:
    assert {kind for kind, _, _ in STANDINGS} | {"in-force"} == set(Kind.__args__)  # type: ignore[attr-defined]


def test_an_old_plan_leads_to_the_one_in_force() -> None:
    newer = ADDRESS.replace("abcd", "beef")
    html = shown(SCHOOL, standing=Standing("replaced", "plan-2"), in_force=newer)
    assert f'href="{newer}"' in html
    assert "Open the plan in force now" in text_of(html)
    assert "10 breaths" not in text_of(html)


def test_a_hold_and_a_pause_say_why_and_until_when() -> None:
    hold = Standing(
        "on-hold", "plan-1", start=date(2026, 6, 1), end=date(2026, 6, 20), why="Surgery"
    )
    told = text_of(shown(SCHOOL, standing=hold))
    assert "From 1 June 2026. Up to 20 June 2026. Surgery" in told
    pause = Standing("paused", "plan-1", start=date(2026, 6, 1), why="admission")
    assert "In hospital: the ward says what to do." in text_of(shown(SCHOOL, standing=pause))


def test_a_plan_in_force_names_the_one_that_is_coming() -> None:
    coming = Change(2, date(2026, 7, 1), None, None)
    assert "A new plan starts on 1 July 2026." in text_of(shown(SCHOOL, coming=coming))


def test_a_review_whose_day_is_past_says_so() -> None:
    assert "This day is past." not in text_of(shown(SCHOOL))
    assert "This day is past." in text_of(shown(SCHOOL, today=date(2026, 7, 7)))


@pytest.mark.parametrize("lang", offered())
@pytest.mark.parametrize("copy", COPIES)
@pytest.mark.parametrize("name", sorted(PROGRAMMES))
def test_every_page_is_well_formed_and_says_its_language(name: str, copy: Copy, lang: str) -> None:
    html = shown(PROGRAMMES[name], copy, lang)
    words = words_of(lang)
    assert f'<html lang="{words.language.tag}" dir="{words.language.direction}">' in html
    found = pieces(html)
    ours = {piece.language for piece in found if not piece.theirs}
    assert ours == {words.language.tag}
    theirs = {piece.language for piece in found if piece.theirs and piece.text.strip()}
    assert theirs <= {words.language.tag, "en-GB"}
    if lang == "ar":
        latin = " ".join(piece.text for piece in found if not piece.theirs)
        known = {"PEP", "cmH", "O", "Hz", "en", "cy", "wk", "min"}
        assert set(re.findall(r"[A-Za-z]+", latin)) <= known


def test_what_clinicians_wrote_keeps_its_language_and_direction() -> None:
    html = shown(SCHOOL, lang="ar")
    assert re.search(r'<p class="theirs own" lang="en-GB" dir="ltr">Ten breaths, one huff', html)
    assert re.search(r'<dt class="theirs" lang="en-GB" dir="ltr">More than streaks', html)
    arabic = SCHOOL.model_copy(update={"note": ("اشرب الماء",), "language": "ar"})
    assert '<p class="theirs" lang="ar" dir="rtl">اشرب الماء</p>' in shown(arabic)


def test_nothing_that_was_written_becomes_markup() -> None:
    nasty = '<script>alert("x")</script>{{ 7 * 7 }} &lt; {n}'
    regimen = SCHOOL.regimen[0].model_copy(update={"instruction": nasty})
    programme = SCHOOL.model_copy(update={"regimen": (regimen,), "title": nasty, "note": (nasty,)})
    html = shown(programme)
    assert "<script" not in html
    assert html.count("{{ 7 * 7 }}") == 3
    assert "&amp;lt; {n}" in html


def test_a_page_needs_nothing_from_elsewhere() -> None:
    for copy in COPIES:
        html = shown(SCHOOL, copy)
        assert not re.search(r"(src|href)=\"(?!tel:)", html.replace(f'href="{ADDRESS}"', ""))
        assert "url(" not in html
        assert "@import" not in html


def packed(text: str) -> str:
    """Without blanks, and without the marks that keep directions apart."""
    return "".join(text.split()).translate(dict.fromkeys(map(ord, "\u2068\u2069")))


@pytest.mark.parametrize("lang", offered())
@settings(suppress_health_check=[HealthCheck.too_slow], deadline=None, max_examples=25)
@given(programme=any_programmes())
def test_every_programme_has_a_sheet_in_every_language(lang: str, programme: Programme) -> None:
    """And nothing that its regimens say in words is left out of the whole copy."""
    html = shown(programme, "local-hospital", lang)
    told = packed(text_of(html))
    for regimen in programme.regimen:
        for words in (regimen.instruction, *(order.medicine for order in regimen.medicine)):
            assert words is None or packed(words) in told
    for net in programme.safety_net:
        for words in (net.sign, net.action, net.contact):
            assert packed(words) in told
