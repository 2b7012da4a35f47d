"""What a clinic writes down of its own policy, read into ``Policy``."""

from collections.abc import Mapping
from dataclasses import replace
from decimal import Decimal
from typing import Any, Literal

from pydantic import BaseModel, ConfigDict, ValidationError

from service.programme.base import Amount, Band, Count, PositiveCount, told
from service.programme.catalogue import CAUTIONS, TECHNIQUES
from service.programme.checks.policy import PRESSURES, Policy
from service.programme.precautions import PRECAUTIONS
from service.programme.safety.policy import SafetyPolicy
from service.programme.safety.rules import RULES


class PolicyError(ValueError):
    """What a clinic wrote down as its policy cannot be understood."""


class _Diagnosis(BaseModel):
    model_config = ConfigDict(extra="forbid")

    system: str
    code: str


class _Safety(BaseModel):
    model_config = ConfigDict(extra="forbid")

    rules: frozenset[str] | None = None
    recent_days: PositiveCount = SafetyPolicy().recent_days
    thresholds: dict[str, dict[str, Amount]] = {}


class _Written(BaseModel):
    """Each part replaces the default of the same name; a part left out keeps its default."""

    model_config = ConfigDict(extra="forbid")

    cautions: frozenset[str] | None = None
    mouthpiece_minimum_age: dict[str, Count] = {}
    pressure_bands: dict[str, dict[str, Band]] = {}
    irritable_airways: tuple[_Diagnosis, ...] | None = None
    require_screen: bool = False
    precautions: dict[str, Literal["blocking", "note", "off"]] = {}
    minimum_age: dict[str, Count] = {}
    says_precaution: dict[str, tuple[_Diagnosis, ...]] = {}
    safety: _Safety = _Safety()


def policy_of(written: Mapping[str, Any]) -> Policy:
    """The policy of a clinic: the defaults, with what is written in their place.

    ``written`` has ``cautions`` (those that are raised at all), ``mouthpiece_minimum_age`` (years
    by technique), ``pressure_bands`` (``low`` and ``high`` in cm[H2O] by technique and dose part),
    ``irritable_airways`` (``system`` and ``code`` of diagnoses), ``require_screen``,
    ``precautions`` (blocking, note or off, by code), ``minimum_age`` (years by technique),
    ``says_precaution`` (diagnoses by code of the precaution) and ``safety`` (``rules`` that are
    on, ``recent_days``, and ``thresholds`` by rule and name). Raises ``PolicyError``.
    """
    try:
        own = _Written.model_validate(written)
    except ValidationError as error:
        first = error.errors()[0]
        place = ".".join(map(str, first["loc"]))
        raise PolicyError(f"{place}: {told(first)}") from None
    _check_names("caution", own.cautions or (), CAUTIONS)
    by_technique = (own.mouthpiece_minimum_age, own.pressure_bands, own.minimum_age)
    _check_names("technique", [name for part in by_technique for name in part], TECHNIQUES)
    _check_names("precaution", [*own.precautions, *own.says_precaution], PRECAUTIONS)
    for parts in own.pressure_bands.values():
        _check_names("pressure", parts, PRESSURES)
    policy = Policy(
        mouthpiece_minimum_age={**Policy().mouthpiece_minimum_age, **own.mouthpiece_minimum_age},
        pressure_bands={**Policy().pressure_bands, **_bands(own)},
        require_screen=own.require_screen,
        precautions=own.precautions,
        minimum_age=own.minimum_age,
        says_precaution={
            **Policy().says_precaution,
            **{code: _codes(diagnoses) for code, diagnoses in own.says_precaution.items()},
        },
        safety=_safety_policy(own.safety),
    )
    if own.cautions is not None:
        policy = replace(policy, cautions=own.cautions)
    if own.irritable_airways is not None:
        policy = replace(policy, irritable_airways=_codes(own.irritable_airways))
    return policy


def _codes(diagnoses: tuple[_Diagnosis, ...]) -> frozenset[tuple[str, str]]:
    return frozenset((one.system, one.code) for one in diagnoses)


def _bands(own: _Written) -> dict[tuple[str, str], tuple[Decimal, Decimal]]:
    return {
        (technique, part): (band.low, band.high)
        for technique, parts in own.pressure_bands.items()
        for part, band in parts.items()
    }


def _safety_policy(own: _Safety) -> SafetyPolicy:
    _check_names("safety rule", [*(own.rules or ()), *own.thresholds], RULES)
    numbers: dict[tuple[str, str], Decimal] = {}
    for code, written in own.thresholds.items():
        known = {threshold.name: threshold for threshold in RULES[code].thresholds}
        _check_names(f"threshold of {code}", written, known)
        for name, number in written.items():
            if known[name].whole and number != number.to_integral_value():
                raise PolicyError(f"{code}.{name}: a whole number is expected")
            numbers[code, name] = number
    policy = SafetyPolicy(numbers=numbers, recent_days=own.recent_days)
    return policy if own.rules is None else replace(policy, rules=own.rules)


def _check_names(kind: str, names: Any, known: Any) -> None:
    for name in names:
        if name not in known:
            raise PolicyError(f"{name} is no {kind}; known are {', '.join(known)}")
