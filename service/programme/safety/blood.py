"""Rules over several logs of blood: the first, repeated blood, and sums of volumes."""

from collections import defaultdict
from collections.abc import Iterable, Iterator, Sequence
from datetime import date, timedelta
from decimal import Decimal

from service.programme.adherence.overlap import told_twice
from service.programme.safety.case import Case, Log
from service.programme.safety.findings import Evidence, SafetyFinding


def first(case: Case) -> Iterable[SafetyFinding]:
    """The earliest blood that the record has; what came before the record it cannot know."""
    bleeding = _bleeding(case)[:1]
    return case.finding("blood-first", _told(case, bleeding))


def repeated(case: Case) -> Iterable[SafetyFinding]:
    """Blood on several occasions in so many of the child's days; one session that a diary and a
    device both tell of is one occasion."""
    rule = "blood-repeated"
    least, days = case.policy.days(rule, "occasions"), case.policy.days(rule, "days")
    occasions = _each_once(_bleeding(case))
    of_day = [case.day_of(log) for log in occasions]
    meant: set[int] = set()
    for start in range(len(occasions)):
        end = start
        while end < len(occasions) and of_day[end] - of_day[start] < timedelta(days=days):
            end += 1
        if end - start >= least:
            meant |= set(range(start, end))
    return case.finding(rule, _told(case, [occasions[index] for index in sorted(meant)]))


def massive(case: Case) -> Iterable[SafetyFinding]:
    """Volumes that add up to more than the limit in any so many hours."""
    rule = "blood-massive"
    limit = case.policy.number(rule, "millilitres")
    hours = timedelta(hours=case.policy.days(rule, "hours"))
    measured = _measured(case)
    meant = {log.known.id: log for log in _with_volume(case) if _volume(log) > limit}
    start, total = 0, Decimal(0)
    for end, log in enumerate(measured):
        total += _volume(log)
        while log.at - measured[start].at >= hours:
            total -= _volume(measured[start])
            start += 1
        if total > limit:
            meant |= {one.known.id: one for one in measured[start : end + 1]}
    return case.finding(rule, _told(case, meant.values()))


def massive_days(case: Case) -> Iterable[SafetyFinding]:
    """Several of the child's days with more than the limit each."""
    rule = "blood-massive-days"
    limit = case.policy.number(rule, "millilitres")
    least, within = case.policy.days(rule, "days"), case.policy.days(rule, "within_days")
    by_day: defaultdict[date, list[Log]] = defaultdict(list)
    for log in _measured(case):
        by_day[case.day_of(log)].append(log)
    days = sorted(day for day, logs in by_day.items() if sum(map(_volume, logs)) > limit)
    meant: set[date] = set()
    for day in days:
        together = [one for one in days if timedelta(0) <= one - day < timedelta(days=within)]
        if len(together) >= least:
            meant |= set(together)
    return case.finding(rule, _told(case, [log for day in sorted(meant) for log in by_day[day]]))


def _bleeding(case: Case) -> list[Log]:
    return [log for log in case.logs if log.signs.bleeds]


def _with_volume(case: Case) -> list[Log]:
    return [log for log in case.logs if log.signs.millilitres]


def _measured(case: Case) -> list[Log]:
    return _each_once(_with_volume(case))


def _each_once(logs: Sequence[Log]) -> list[Log]:
    """Where the clock is doubtful nobody can say that it is the same session; it counts."""
    twice = told_twice([log.known for log in logs if log.certain])
    return [log for log in logs if log.known.id not in twice]


def _volume(log: Log) -> Decimal:
    return log.signs.millilitres or Decimal(0)


def _told(case: Case, logs: Iterable[Log]) -> Iterator[Evidence]:
    """Evidence, while it is recent: what is long past was told when it came."""
    return (log.tells(log.signs.told_of_blood()) for log in logs if case.is_recent(log))
