"""What a clinic writes down of its own policy, read into ``Policy``."""

from collections.abc import Mapping
from dataclasses import replace
from decimal import Decimal
from typing import Any

from pydantic import BaseModel, ConfigDict, ValidationError

from service.programme.base import Band, Count, told
from service.programme.catalogue import CAUTIONS, TECHNIQUES
from service.programme.checks.policy import PRESSURES, Policy


class PolicyError(ValueError):
    """What a clinic wrote down as its policy cannot be understood."""


class _Diagnosis(BaseModel):
    model_config = ConfigDict(extra="forbid")

    system: str
    code: str


class _Written(BaseModel):
    """Each part replaces the default of the same name; a part left out keeps its default."""

    model_config = ConfigDict(extra="forbid")

    cautions: frozenset[str] | None = None
    mouthpiece_minimum_age: dict[str, Count] = {}
    pressure_bands: dict[str, dict[str, Band]] = {}
    irritable_airways: tuple[_Diagnosis, ...] | None = None


def policy_of(written: Mapping[str, Any]) -> Policy:
    """The policy of a clinic: the defaults, with what is written in their place.

    ``written`` has ``cautions`` (those that are raised at all), ``mouthpiece_minimum_age`` (years
    by technique), ``pressure_bands`` (``low`` and ``high`` in cm[H2O] by technique and dose part)
    and ``irritable_airways`` (``system`` and ``code`` of diagnoses). Raises ``PolicyError``.
    """
    try:
        own = _Written.model_validate(written)
    except ValidationError as error:
        first = error.errors()[0]
        place = ".".join(map(str, first["loc"]))
        raise PolicyError(f"{place}: {told(first)}") from None
    _check_names("caution", own.cautions or (), CAUTIONS)
    _check_names("technique", [*own.mouthpiece_minimum_age, *own.pressure_bands], TECHNIQUES)
    for parts in own.pressure_bands.values():
        _check_names("pressure", parts, PRESSURES)
    policy = Policy(
        mouthpiece_minimum_age={**Policy().mouthpiece_minimum_age, **own.mouthpiece_minimum_age},
        pressure_bands={**Policy().pressure_bands, **_bands(own)},
    )
    if own.cautions is not None:
        policy = replace(policy, cautions=own.cautions)
    if own.irritable_airways is not None:
        codes = frozenset((one.system, one.code) for one in own.irritable_airways)
        policy = replace(policy, irritable_airways=codes)
    return policy


def _bands(own: _Written) -> dict[tuple[str, str], tuple[Decimal, Decimal]]:
    return {
        (technique, part): (band.low, band.high)
        for technique, parts in own.pressure_bands.items()
        for part, band in parts.items()
    }


def _check_names(kind: str, names: Any, known: Any) -> None:
    for name in names:
        if name not in known:
            raise PolicyError(f"{name} is no {kind}; known are {', '.join(known)}")
