"""The technique catalogue against the shape of a dose and the sourced facts of the trade."""

from decimal import Decimal

import pytest

from service.programme.catalogue import CAUTIONS, TECHNIQUES, TRADE_FACTS, Technique
from service.programme.dose import Dose

_DOSE_PARTS = {field.alias for field in Dose.model_fields.values()}


@pytest.mark.parametrize("technique", TECHNIQUES.values(), ids=TECHNIQUES)
def test_every_part_named_is_a_part_of_a_dose(technique: Technique) -> None:
    named = {part for alternative in technique.dose_parts for part in alternative}
    named |= {band.part for band in technique.usual}
    assert named <= _DOSE_PARTS
    assert technique.dose_parts


@pytest.mark.parametrize("technique", TECHNIQUES.values(), ids=TECHNIQUES)
def test_every_figure_and_caution_has_a_source(technique: Technique) -> None:
    assert all(band.source and band.low <= band.high for band in technique.usual)
    assert all(fact.source and fact.text.endswith(".") for fact in technique.cautions)


def test_every_technique_tells_the_family_when_to_stop() -> None:
    assert all(
        any(fact.text.startswith("Stop at") for fact in technique.cautions)
        for technique in TECHNIQUES.values()
    )


def _pressure(code: str, part: str = "pressure") -> tuple[Decimal, Decimal]:
    band = next(band for band in TECHNIQUES[code].usual if band.part == part)
    return band.low, band.high


def test_pressure_bands_are_those_published() -> None:
    """AARC 1993 (PEP), Respir Care 2019;64:398 (OPEP), a CF review (high pressure), a survey of
    240 children (insufflation-exsufflation, a signed pair)."""
    assert _pressure("pep") == (10, 20)
    assert _pressure("opep") == (10, 20)
    assert _pressure("high-pressure-pep") == (26, 102)
    assert _pressure("mi-e", "insufflation") == (10, 50)
    assert _pressure("mi-e", "exsufflation") == (-60, -10)


def test_what_oscillates_and_what_needs_lips() -> None:
    oscillating = {code for code, technique in TECHNIQUES.items() if technique.oscillating}
    assert oscillating == {"opep", "hfcwo"}
    lips = {code for code, technique in TECHNIQUES.items() if technique.mouthpiece != "never"}
    assert lips == {"pep", "opep"}
    assert not TECHNIQUES["exercise"].chest_physiotherapy


def test_trade_facts_say_that_they_are_common_practice() -> None:
    assert {fact.source for fact in TRADE_FACTS.values()} == {"common practice"}
    assert "Ten breaths" in TRADE_FACTS["cycle"].text


def test_cautions_are_the_five_a_clinic_may_accept() -> None:
    assert set(CAUTIONS) == {
        "mouthpiece-under-age",
        "oscillation-irritable-airways",
        "supine-with-mouthpiece",
        "head-down",
        "pressure-outside-band",
    }
