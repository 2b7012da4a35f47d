"""Safety: what in a child's logs and plan a clinician should look at.

Pure: the same history gives the same findings on any machine. Nothing here is a diagnosis, changes
a prescription, or takes the place of the plan's own instructions and the clinic's policy.
"""

from collections.abc import Callable, Iterable, Mapping
from datetime import datetime
from types import MappingProxyType

from service.programme.adherence.history import History
from service.programme.safety import blood, dates, doing, spells, usual
from service.programme.safety.case import Case, counts
from service.programme.safety.findings import Evidence, EvidenceKind, SafetyFinding
from service.programme.safety.policy import DEFAULT_POLICY, SafetyPolicy
from service.programme.safety.rules import RULES, Rule, Source, Threshold, Urgency
from service.programme.safety.signs import SIGNS, Signs, signs_at_once, signs_to_tell
from service.programme.zones import ZoneLookup, zone

__all__ = [
    "DEFAULT_POLICY",
    "RULES",
    "Evidence",
    "EvidenceKind",
    "Rule",
    "SafetyFinding",
    "SafetyPolicy",
    "Signs",
    "Source",
    "Threshold",
    "Urgency",
    "assess",
    "counts",
    "signs_at_once",
    "signs_to_tell",
]

_CHECKS: Mapping[str, Callable[[Case], Iterable[SafetyFinding]]] = MappingProxyType(
    {
        "blood-massive": blood.massive,
        "blood-massive-days": blood.massive_days,
        "blood-repeated": blood.repeated,
        "blood-first": blood.first,
        "oxygen-drop": usual.oxygen_drop,
        "breathlessness-rise": usual.breathlessness_rise,
        "sputum-darker": usual.sputum_darker,
        "tolerance-falling": doing.tolerance_falling,
        "setting-differs": doing.setting_differs,
        "lying-flat": doing.lying_flat,
        "unwell-without-step-up": spells.without_step_up,
        "unwell-beyond": spells.beyond,
        "review-overdue": dates.review_overdue,
        "replacement-overdue": dates.replacement_overdue,
    }
)
"""The rules that need more than one log; the others are signs of a single one."""


def assess(
    history: History,
    policy: SafetyPolicy = DEFAULT_POLICY,
    *,
    now: datetime,
    zones: ZoneLookup = zone,
) -> tuple[SafetyFinding, ...]:
    """Everything that holds at ``now``, by what was known then, in the order of the rules.

    What a log says holds for the policy's ``recent_days``; a rule about the state of things holds
    as long as the state does. Nothing is found by a rule that is off or lacks a number.
    """
    case = Case(history, policy, now, zones)
    on = [code for code in RULES if policy.holds(code)]
    return tuple(finding for code in on for finding in _findings(case, code))


def _findings(case: Case, code: str) -> Iterable[SafetyFinding]:
    check = _CHECKS.get(code)
    return _sign(case, code) if check is None else check(case)


def _sign(case: Case, code: str) -> tuple[SafetyFinding, ...]:
    told = ((log, SIGNS[code](log.signs, case.policy)) for log in case.logs if case.is_recent(log))
    return case.finding(code, [log.tells(found) for log, found in told if found])
