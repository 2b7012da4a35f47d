"""Rules on how a session was done: amount, setting, position."""

from collections import defaultdict
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from fractions import Fraction

from service.programme.adherence.dose import prescribed, share
from service.programme.adherence.timeline import Plan
from service.programme.catalogue import MASK_DEVICES, TECHNIQUES
from service.programme.log import Session
from service.programme.plan import Regimen
from service.programme.safety.case import Case, Log
from service.programme.safety.findings import Evidence, SafetyFinding


@dataclass(slots=True)
class _Run:
    """Sessions that fell short in a row, since the same amount was last reached."""

    amount: Fraction | None = None
    was_reached: bool = False
    short: list[Log] = field(default_factory=list)

    def take(self, amount: Fraction, done: Fraction, log: Log) -> None:
        if amount != self.amount:  # another prescription: nobody has reached it before
            self.amount, self.was_reached, self.short = amount, False, []
        if done >= 1:
            self.was_reached, self.short = True, []
        elif self.was_reached:
            self.short.append(log)


def tolerance_falling(case: Case) -> Iterable[SafetyFinding]:
    """The prescribed amount not reached so many times in a row, after it had been reached.

    A session that was not done at all says nothing about tolerance, and neither does a day
    without a log. A partial session without a number counts as short, as in adherence.
    """
    rule = "tolerance-falling"
    runs: defaultdict[str, _Run] = defaultdict(_Run)
    for log in case.logs:
        found = case.regimen_of(log.session) if _was_done(log) else None
        amount = prescribed(found[1].dose) if found else None
        if found is not None and amount:
            done = share(found[1].dose, log.session) or Fraction(0)
            runs[found[1].key].take(amount, done, log)
    for key, run in sorted(runs.items()):
        is_new = len(run.short) >= case.policy.days(rule, "sessions") and (
            any(case.is_recent(log) for log in run.short)
        )
        if is_new:
            told = "less than the prescribed amount"
            yield from case.finding(rule, [log.tells(told) for log in run.short], key)


def setting_differs(case: Case) -> Iterable[SafetyFinding]:
    """Another setting than the plan of that time asks for, on the device's own scale."""
    rule = "setting-differs"
    steps = case.policy.number(rule, "steps")
    by_regimen: defaultdict[str, list[Evidence]] = defaultdict(list)
    for log in case.logs:
        setting = log.session.setting
        found = case.regimen_of(log.session) if setting is not None and _counts(case, log) else None
        dose = found[1].dose if found else None
        if found is None or dose is None or dose.setting is None or setting is None:
            continue
        if abs(setting - dose.setting.value) > steps:
            told = f"set to {setting}, prescribed is {dose.setting.value}"
            by_regimen[found[1].key].append(log.tells(told))
    for key, evidence in sorted(by_regimen.items()):
        yield from case.finding(rule, evidence, key)


def lying_flat(case: Case) -> Iterable[SafetyFinding]:
    """On the back with a mouthpiece, unless the plan advises or allows that."""
    evidence = [
        log.tells(f"lying flat on the back, {TECHNIQUES[log.session.technique].name.lower()}")
        for log in case.logs
        if log.session.position == "supine" and case.is_recent(log) and _unasked(case, log.session)
    ]
    return case.finding("lying-flat", evidence)


def _was_done(log: Log) -> bool:
    return log.certain and log.session.outcome != "not-done"


def _counts(case: Case, log: Log) -> bool:
    return log.certain and case.is_recent(log)


def _unasked(case: Case, session: Session) -> bool:
    found = case.regimen_of(session)
    if found is not None and _allows_supine(found[1]):
        return False
    return _by_mouth(session, found)


def _allows_supine(regimen: Regimen) -> bool:
    drained = regimen.dose.drainage if regimen.dose else ()
    meant = [one.position for one in regimen.position if one.use != "avoid"]
    return "supine" in (*meant, *(one.position for one in drained))


def _by_mouth(session: Session, found: tuple[Plan, Regimen] | None) -> bool:
    """Whether a mouthpiece was used: without word of a mask it is assumed, where there can be."""
    technique = TECHNIQUES.get(session.technique)
    if technique is None or technique.mouthpiece == "never":
        return False
    if technique.mouthpiece == "always":
        return True
    if session.device_kind is not None:
        return session.device_kind not in MASK_DEVICES
    return not (found is not None and any(_masks(*found)))


def _masks(plan: Plan, regimen: Regimen) -> Iterator[bool]:
    """Whether each thing that the plan says of the interface speaks of a mask."""
    if regimen.dose is not None and regimen.dose.interface is not None:
        yield regimen.dose.interface.kind == "mask"
    for device in plan.programme.device:
        if device.key == regimen.device:
            yield device.kind in MASK_DEVICES
            yield device.interface is not None and device.interface.kind == "mask"
