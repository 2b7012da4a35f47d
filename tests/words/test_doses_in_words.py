"""Doses in plain words: every part is said, in every language."""

import re
from typing import Any

import pytest
from dose_strategies import DOSE_PARTS
from hypothesis import given
from value_strategies import parts

from service.programme.catalogue import DEVICE_KINDS, GOAL_MEASURES, POSITIONS, TECHNIQUES
from service.programme.dose import Dose
from service.programme.precautions import ANSWERABLE
from service.words import END_ISOLATE, ISOLATE, language_of, offered, terms, words_of

FULL: dict[str, Any] = {
    "cycles": 6, "breaths": 10, "buildUp": {"start": 4, "step": 3, "everyDays": 14, "rule": "well"},
    "hold": 3, "outBreath": 5, "inOutRatio": {"breathIn": 1, "breathOut": 4}, "rest": 30,
    "huffs": 7, "coughs": 8, "minutes": 20, "pressure": {"low": 11, "high": 19},
    "insufflation": {"pressure": 35, "seconds": 2}, "exsufflation": {"pressure": -40, "seconds": 9},
    "pause": 12, "breathsPerSet": 13, "sets": 15, "frequency": {"low": 16, "high": 17},
    "garmentPressure": 18, "blocks": 21, "blockMinutes": 22,
    "phase": [{"name": "loosen", "breaths": 23, "seconds": 24, "hold": 25, "huffs": 26}],
    "drainage": [{"position": "prone", "minutes": 27}],
    "exercise": {"kind": "trampoline", "intensity": "puffing"},
    "interface": {"kind": "mask", "size": "child"},
    "setting": {"value": 28, "chosenBy": "manometer"},
}  # fmt: skip


def plain(text: str) -> str:
    return text.replace(ISOLATE, "").replace(END_ISOLATE, "")


def test_a_cycle_of_breaths_as_a_family_reads_it() -> None:
    dose = Dose.model_validate(
        {"basis": "cycles", "cycles": 6, "breaths": 10, "hold": 3, "outBreath": 2.5, "huffs": 1,
         "coughs": 0, "pressure": {"low": 10, "high": 20}, "setting": {"value": 3}}
    )  # fmt: skip
    assert words_of("en").dose(dose) == (
        "6 rounds",
        "Device setting: 3 (found by feel and sound)",
        "Pressure: 10 to 20 cmH2O",
        "10 breaths in each round",
        "Hold the breath for 3 seconds",
        "Breathe out for 2.5 seconds",
        "1 huff in each round",
        "No coughs",
    )
    assert words_of("fr").dose(dose)[5] == "Souffler pendant 2,5 secondes"
    assert words_of("ar").dose(dose)[3] == "10 أنفاس في كل جولة"
    assert words_of("ar").dose(dose)[6] == "نفثة واحدة (1) في كل جولة"


@pytest.mark.parametrize(
    ("n", "told"),
    [(1, "جولة واحدة (1)"), (2, "جولتان (2)"), (3, "3 جولات"), (10, "10 جولات"), (11, "11 جولة"),
     (99, "99 جولة"), (100, "100 جولة"), (103, "103 جولات")],
)  # fmt: skip
def test_arabic_counts_in_its_six_forms(n: int, told: str) -> None:
    """Forms by the Unicode plural rules for Arabic: one, two, few, many, other."""
    assert words_of("ar").dose(Dose(cycles=n)) == (told,)


def test_the_full_dose_has_every_field_that_there_is() -> None:
    fields = set(Dose.model_json_schema(by_alias=True)["properties"])
    assert set(FULL) | {"basis"} == fields


@pytest.mark.parametrize("code", offered())
@pytest.mark.parametrize("name", sorted(FULL))
def test_every_field_of_a_dose_is_said(code: str, name: str) -> None:
    told = words_of(code).dose(Dose.model_validate({name: FULL[name]}))
    assert told
    assert "{" not in "".join(told)


@pytest.mark.parametrize("code", offered())
def test_every_number_and_every_word_of_others_is_in_the_words(code: str) -> None:
    told = plain(" / ".join(words_of(code).dose(Dose.model_validate(FULL))))
    numbers = {abs(number) for number in _numbers(FULL)}
    assert numbers <= {int(found) for found in re.findall(r"\d+", told)} | {1, 2}
    for words in ("well", "loosen", "trampoline", "puffing", "child"):
        assert words in told


@pytest.mark.parametrize("code", offered())
@given(document=parts(**DOSE_PARTS))
def test_every_dose_is_said_in_every_language(code: str, document: dict[str, Any]) -> None:
    dose = Dose.model_validate(document)
    fields = words_of(code).dose_fields(dose)
    given_ = {name for name in Dose.model_fields if name != "basis" and getattr(dose, name)
              not in (None, ())}  # fmt: skip
    assert set(fields) == given_
    assert all(fields.values())


def test_signed_pressures_keep_their_signs() -> None:
    dose = Dose.model_validate({key: FULL[key] for key in ("insufflation", "exsufflation")})
    assert words_of("en").dose(dose) == (
        "Air pushed in: +35 cmH2O for 2 seconds",
        "Air pulled out: -40 cmH2O for 9 seconds",
    )


@pytest.mark.parametrize(
    ("catalogue", "known"),
    [(TECHNIQUES, terms.TECHNIQUES), (POSITIONS, terms.POSITIONS), (DEVICE_KINDS, terms.DEVICES),
     (ANSWERABLE, terms.CAUTIONS), (GOAL_MEASURES, terms.GOAL_MEASURES)],
    ids=["techniques", "positions", "devices", "cautions", "aims"],
)  # fmt: skip
def test_every_code_of_the_trade_has_words(catalogue: Any, known: terms.Terms) -> None:
    assert set(catalogue) == set(known)


def test_an_unknown_code_is_shown_as_it_is() -> None:
    assert plain(words_of("ar").technique("humming")) == "humming"


@pytest.mark.parametrize(
    ("tag", "language"),
    [("en", "en"), ("en-GB", "en-GB"), ("fr-CA", "fr-CA"), ("AR", "ar"), ("fr-XX", "fr"),
     ("cy", None), ("", None), ("x", None)],
)  # fmt: skip
def test_tags_of_languages(tag: str, language: str | None) -> None:
    found = language_of(tag)
    assert (found.tag if found else None) == language


def test_the_first_language_that_there_is_is_taken() -> None:
    assert words_of("cy", None, "fr-BE", "ar").language.tag == "fr-BE"
    assert words_of("cy").language.tag == "en"


def _numbers(value: Any) -> list[int]:
    if isinstance(value, dict):
        return [number for part in value.values() for number in _numbers(part)]
    if isinstance(value, list):
        return [number for part in value for number in _numbers(part)]
    return [value] if isinstance(value, int) else []
