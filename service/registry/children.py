"""What is known of one child for one half-year before anything is coarsened."""

from dataclasses import dataclass
from fractions import Fraction


@dataclass(frozen=True, slots=True, kw_only=True)
class ChildRecord:
    """One child in one half-year. Never leaves as it is: see ``anonymise``.

    ``age_years`` counts completed years when the half-year began. The days are days of the
    half-year: ``observed`` with something due and any log, ``unlogged`` with something due and no
    log, ``paused`` with anything paused, ``unwell`` with anything due or paused in an unwell spell.
    ``sessions_score`` is sessions done of sessions due in per cent (0 to 100), None where nothing
    was due.
    """

    age_years: int
    sex: str
    condition: str
    techniques: frozenset[str]
    observed_days: int
    unlogged_days: int
    paused_days: int
    unwell_days: int
    log_source: str
    sessions_score: Fraction | None
    rule_version: str
    half_year: str

    def fields(self) -> dict[str, object]:
        """Under the names by which the columns of a release ask for them."""
        return {
            "ageYears": self.age_years,
            "sex": self.sex,
            "condition": self.condition,
            "techniques": self.techniques,
            "observedDays": self.observed_days,
            "unloggedDays": self.unlogged_days,
            "pausedDays": self.paused_days,
            "unwellDays": self.unwell_days,
            "logSource": self.log_source,
            "sessionsScore": self.sessions_score,
            "ruleVersion": self.rule_version,
            "halfYear": self.half_year,
        }
