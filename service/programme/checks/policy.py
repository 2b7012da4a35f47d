"""What a clinic decides: thresholds of the cautions, and what is known of the child already.

The defaults are a starting point for the clinical lead, not a rule of medicine; each comes from
the technique catalogue, where its source stands.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date, timedelta
from decimal import Decimal
from types import MappingProxyType
from typing import Literal

from service.programme.base import Coded
from service.programme.catalogue import CAUTIONS, TECHNIQUES
from service.programme.plan import Screen
from service.programme.precautions import Effect
from service.programme.safety.policy import SafetyPolicy

_SNOMED_CT = "http://snomed.info/sct"
_SAYS_PRECAUTION = MappingProxyType(
    {
        "reflux": frozenset({(_SNOMED_CT, "235595009")}),
        "low-bone-density": frozenset({(_SNOMED_CT, "64859006")}),
    }
)
"""Gastro-oesophageal reflux disease; osteoporosis."""
PRESSURES = ("pressure", "insufflation", "exsufflation")


def _minimum_ages() -> Mapping[str, int]:
    ages = {code: technique.minimum_age for code, technique in TECHNIQUES.items()}
    return MappingProxyType({code: age for code, age in ages.items() if age is not None})


def _pressure_bands() -> Mapping[tuple[str, str], tuple[Decimal, Decimal]]:
    return MappingProxyType(
        {
            (code, band.part): (band.low, band.high)
            for code, technique in TECHNIQUES.items()
            for band in technique.usual
            if band.part in PRESSURES
        }
    )


@dataclass(frozen=True, slots=True)
class Policy:
    """Thresholds owned by the clinic.

    ``cautions``: those that are raised at all. ``mouthpiece_minimum_age``: years by technique.
    ``pressure_bands``: in cm[H2O] by technique and dose part, ends included.
    ``precautions``: what a precaution means here, by its code, in place of what its data say;
    ``minimum_age``: years by technique below which the child's age is one; ``says_precaution``:
    diagnosis codes (system, code) that mean a precaution, by its code. ``require_screen``: whether
    a programme without a safety screen needs an override.
    ``irritable_airways``: diagnosis codes (system, code) that mean irritable airways; only coded
    diagnoses count, free text is never searched. ``future_tolerance``: how far ahead of the
    service's clock a session may start before its clock is doubted. ``clock_reset_before``: a
    session earlier than this comes from a device clock that fell back to its own beginning.
    ``safety``: which safety rules are on, and their numbers.
    """

    cautions: frozenset[str] = frozenset(CAUTIONS)
    mouthpiece_minimum_age: Mapping[str, int] = field(default_factory=_minimum_ages)
    pressure_bands: Mapping[tuple[str, str], tuple[Decimal, Decimal]] = field(
        default_factory=_pressure_bands
    )
    irritable_airways: frozenset[tuple[str, str]] = frozenset({(_SNOMED_CT, "195967001")})
    precautions: Mapping[str, Effect | Literal["off"]] = field(default_factory=dict)
    minimum_age: Mapping[str, int] = field(default_factory=dict)
    says_precaution: Mapping[str, frozenset[tuple[str, str]]] = field(
        default_factory=lambda: _SAYS_PRECAUTION
    )
    require_screen: bool = False
    future_tolerance: timedelta = timedelta(minutes=10)
    clock_reset_before: date = date(2001, 1, 1)
    safety: SafetyPolicy = field(default_factory=SafetyPolicy)


@dataclass(frozen=True, slots=True)
class KnownChild:
    """What the record holds of a child whom a document only refers to.

    ``screens``: the latest answers to the safety screen, and those that the document refers to.
    """

    birth_date: str | None = None
    diagnosis: tuple[Coded, ...] = ()
    screens: tuple[Screen, ...] = ()
