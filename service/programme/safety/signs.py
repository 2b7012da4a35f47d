"""Signs that one session log names by itself."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from decimal import Decimal
from types import MappingProxyType

from service.programme.log import Session
from service.programme.safety.policy import SafetyPolicy
from service.programme.safety.rules import RULES


@dataclass(frozen=True, slots=True)
class Signs:
    """What a log says of the child's state: blood (class, mL, scheme), SpO2 in %, and so on."""

    blood: str | None = None
    millilitres: Decimal | None = None
    scheme: str | None = None
    spo2: Decimal | None = None
    chest_pain: bool = False
    faint: bool = False
    stopped_early: str | None = None

    @classmethod
    def of(cls, session: Session) -> "Signs":
        """Those of a session."""
        blood = session.blood
        return cls(
            blood.seen if blood else None,
            blood.volume if blood else None,
            blood.scheme if blood else None,
            session.spo2,
            bool(session.chest_pain),
            bool(session.faint),
            session.stopped_early,
        )

    @property
    def bleeds(self) -> bool:
        """Whether any blood was seen, by class or by volume."""
        return self.blood in ("streaks", "more-than-streaks") or bool(self.millilitres)

    def told_of_blood(self) -> str:
        """Class, volume and scheme as they were logged; schemes disagree, so all are kept."""
        parts = []
        if self.blood not in (None, "none"):
            parts.append(f"{str(self.blood).replace('-', ' ')} of blood")
        if self.millilitres is not None:
            parts.append(f"{self.millilitres} mL")
        if self.scheme is not None:
            parts.append(f"graded by {self.scheme}")
        return ", ".join(parts)


def _chest_pain(signs: Signs, _: SafetyPolicy) -> str | None:
    return "chest pain" if signs.chest_pain else None


def _faintness(signs: Signs, _: SafetyPolicy) -> str | None:
    return "faintness" if signs.faint else None


def _stopped_early(signs: Signs, _: SafetyPolicy) -> str | None:
    return f"stopped early: {signs.stopped_early}" if signs.stopped_early else None


def _massive(signs: Signs, policy: SafetyPolicy) -> str | None:
    limit = policy.number("blood-massive", "millilitres")
    return signs.told_of_blood() if signs.millilitres and signs.millilitres > limit else None


def _more(signs: Signs, policy: SafetyPolicy) -> str | None:
    return signs.told_of_blood() if _is_more(signs, policy) else None


def _scant(signs: Signs, policy: SafetyPolicy) -> str | None:
    return signs.told_of_blood() if signs.bleeds and not _is_more(signs, policy) else None


def _is_more(signs: Signs, policy: SafetyPolicy) -> bool:
    """By class or by volume: of two that contradict, the worse. One limit parts this from scant."""
    limit = policy.number("blood-more", "millilitres")
    by_volume = signs.millilitres is not None and signs.millilitres >= limit
    return by_volume or signs.blood == "more-than-streaks"


def _oxygen_low(signs: Signs, policy: SafetyPolicy) -> str | None:
    is_low = signs.spo2 is not None and signs.spo2 < policy.number("oxygen-low", "percent")
    return f"{signs.spo2} %" if is_low else None


SIGNS: Mapping[str, Callable[[Signs, SafetyPolicy], str | None]] = MappingProxyType(
    {
        "chest-pain": _chest_pain,
        "faintness": _faintness,
        "blood-massive": _massive,
        "blood-more": _more,
        "blood-scant": _scant,
        "oxygen-low": _oxygen_low,
        "stopped-early": _stopped_early,
    }
)
"""By rule: what the log says, where it says so."""


def signs_at_once(signs: Signs, policy: SafetyPolicy) -> tuple[str, ...]:
    """The signs on which the family must act whoever reads the log, in words."""
    named = {code: rule.at_once for code, rule in RULES.items() if rule.at_once}
    return _told(named, signs, policy)


def signs_to_tell(signs: Signs, policy: SafetyPolicy) -> tuple[str, ...]:
    """The signs with which the family carries on, and tells the team the same day, in words."""
    named = {code: rule.carry_on for code, rule in RULES.items() if rule.carry_on}
    return _told(named, signs, policy)


def _told(named: Mapping[str, str], signs: Signs, policy: SafetyPolicy) -> tuple[str, ...]:
    """Also by rules that are off: those say what the team wants to hear of, not the family."""
    return tuple(sign for code, sign in named.items() if SIGNS[code](signs, policy))
