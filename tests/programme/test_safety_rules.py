"""Every safety rule at its threshold: the last value that raises nothing, the first that does.

Volumes of blood: Am J Respir Crit Care Med 2010;182:298 (scant under 5 mL, massive over 240 mL in
24 hours), read second-hand, and over 100 mL a day for some days from a paediatric emergency
textbook. SpO2 under 90 % or 5 points down, and blood on more than one occasion in a week: table 3
of PMC3844027. Everything else is common practice, with this project's own starting numbers.
"""

from dataclasses import replace
from datetime import datetime, timedelta
from decimal import Decimal
from typing import Any

import pytest
from histories import pause, regimen
from safety_cases import (
    NOW,
    UNWELL,
    WELL,
    a_plan,
    bled,
    found,
    history,
    known,
    log,
    rules,
    unwell,
    usually,
)

from service.programme.adherence import History
from service.programme.safety import DEFAULT_POLICY, RULES, SafetyPolicy

ALL_ON = SafetyPolicy(rules=frozenset(RULES), numbers={("unwell-beyond", "days"): Decimal(3)})


def _due(**changes: Any) -> History:
    return history(plans=[a_plan(**changes)])


def _worn(schedule: dict[str, Any], **changes: Any) -> History:
    care = {"task": "replace", "method": "new valve", "schedule": schedule}
    device = {"key": "blower", "kind": "opep-handheld", "care": [care]}
    return history(plans=[a_plan(device=[device], **changes)])


def _short(*cycles: int | None, day: int = 20, **changes: Any) -> list[Any]:
    return [
        log(day + k, cycles=done, outcome="partial" if done in (None, 0) else "complete", **changes)
        for k, done in enumerate(cycles)
    ]


CASES: list[tuple[str, str, History, History]] = [
    ("chest-pain", "said", history([log(28)]), history([log(28, chestPain=True)])),
    ("faintness", "said", history([log(28, faint=False)]), history([log(28, faint=True)])),
    ("stopped-early", "said", history([log(28)]), history([log(28, stoppedEarly="tired")])),
    ("blood-scant", "any", history([log(28, blood={"seen": "none"})]), history([bled(28)])),
    (
        "blood-scant",
        "under 5 mL",
        history([bled(28, Decimal("5.0"))]),
        history([bled(28, Decimal("4.9"))]),
    ),
    (
        "blood-more",
        "5 mL",
        history([bled(28, Decimal("4.9"))]),
        history([bled(28, Decimal("5.0"))]),
    ),
    (
        "blood-more",
        "by class",
        history([bled(28)]),
        history([log(28, blood={"seen": "more-than-streaks", "volume": 1})]),
    ),
    (
        "blood-massive",
        "240 mL at once",
        history([bled(28, Decimal("240.0"))]),
        history([bled(28, Decimal("240.1"))]),
    ),
    (
        "blood-massive",
        "24 hours",
        history([bled(27, 200, "07:00:00"), bled(28, 41, "07:00:00")]),
        history([bled(27, 200, "07:00:00"), bled(28, 41, "06:59:59")]),
    ),
    (
        "blood-massive-days",
        "100 mL",
        history([bled(26, Decimal("100.1")), bled(28, Decimal("100.0"))]),
        history([bled(26, Decimal("100.1")), bled(28, Decimal("100.1"))]),
    ),
    (
        "blood-massive-days",
        "in 7 days",
        history([bled(21, 101), bled(28, 101)]),
        history([bled(22, 101), bled(28, 101)]),
    ),
    (
        "blood-massive-days",
        "by day",
        history([bled(27, 101), bled(27, 102, "20:00:00")]),
        history([bled(26, 101), bled(27, 50), bled(27, 51, "20:00:00")]),
    ),
    ("blood-repeated", "twice", history([bled(28)]), history([bled(27), bled(28)])),
    (
        "blood-repeated",
        "in 7 days",
        history([bled(21), bled(28)]),
        history([bled(22), bled(28)]),
    ),
    (
        "blood-repeated",
        "told twice",
        history([bled(28, minutes=20), bled(28, clock="07:10:00", recordedBy="device")]),
        history([bled(28, minutes=20), bled(28, clock="07:20:00", recordedBy="device")]),
    ),
    ("blood-first", "any", history([log(28)]), history([bled(28, Decimal("0.1"))])),
    (
        "oxygen-low",
        "90 %",
        history([log(28, spo2=Decimal("90.0"))]),
        history([log(28, spo2=Decimal("89.9"))]),
    ),
    (
        "oxygen-drop",
        "5 points",
        history([*usually("spo2", 97), log(28, spo2=Decimal("92.1"))]),
        history([*usually("spo2", 97), log(28, spo2=Decimal("92.0"))]),
    ),
    (
        "oxygen-drop",
        "5 readings",
        history([*usually("spo2", 99, days=4), log(28, spo2=91)]),
        history([*usually("spo2", 99, days=5), log(28, spo2=91)]),
    ),
    (
        "breathlessness-rise",
        "3 points",
        history([*usually("breathlessness", 2), log(28, breathlessness=4)]),
        history([*usually("breathlessness", 2), log(28, breathlessness=5)]),
    ),
    (
        "sputum-darker",
        "3 days",
        history(
            [*usually("sputum", {"colour": "white"})]
            + [log(day, sputum={"colour": "green"}) for day in (26, 27)]
        ),
        history(
            [*usually("sputum", {"colour": "white"})]
            + [log(day, sputum={"colour": "green"}) for day in (26, 27, 28)]
        ),
    ),
    (
        "sputum-darker",
        "in a row",
        history(
            [*usually("sputum", {"colour": "white"}, last=24)]
            + [log(day, sputum={"colour": "green"}) for day in (25, 26, 28)]
        ),
        history(
            [*usually("sputum", {"colour": "white"}, last=24)]
            + [log(day, sputum={"colour": "yellow"}) for day in (25, 26, 27)]
        ),
    ),
    (
        "tolerance-falling",
        "3 in a row",
        history(_short(6, 5, 5)),
        history(_short(6, 5, 5, 5)),
    ),
    (
        "tolerance-falling",
        "reached before",
        history(_short(5, 5, 5, 5)),
        history(_short(6, 0, 0, None)),
    ),
    (
        "tolerance-falling",
        "since it was reached",
        history(_short(6, 5, 5, 6, 5, 5)),
        history(_short(6, 5, 5, 6, 5, 5, 5)),
    ),
    (
        "setting-differs",
        "any step",
        history([log(28, setting=3)]),
        history([log(28, setting=Decimal("3.5"))]),
    ),
    (
        "lying-flat",
        "with a mouthpiece",
        history([log(28, position="side-lying-left")]),
        history([log(28, position="supine")]),
    ),
    (
        "lying-flat",
        "a mask",
        history([log(28, technique="pep", position="supine", deviceKind="pep-mask")]),
        history([log(28, technique="pep", position="supine", deviceKind="pep-mouthpiece")]),
    ),
    (
        "unwell-without-step-up",
        "2 days",
        history([log(27), log(27, "18:00:00"), log(28)], [unwell(27)]),
        history([log(27), log(28)], [unwell(27)]),
    ),
    (
        "unwell-without-step-up",
        "days with a log",
        history([log(28)], [unwell(25)]),
        history([log(25), log(28)], [unwell(25)]),
    ),
    ("unwell-beyond", "3 days", history((), [unwell(27)]), history((), [unwell(26)])),
    (
        "unwell-beyond",
        "as the plan says",
        history((), [unwell(25)], [a_plan(unwellDays=5)]),
        history((), [unwell(28)], [a_plan(unwellDays=1)]),
    ),
    (
        "review-overdue",
        "the day after",
        _due(review={"due": "2031-05-29"}),
        _due(review={"due": "2031-05-28"}),
    ),
    (
        "replacement-overdue",
        "the day after",
        _worn({"frequency": 1, "period": 29, "periodUnit": "d"}),
        _worn({"frequency": 1, "period": 28, "periodUnit": "d"}),
    ),
    (
        "replacement-overdue",
        "a dated one",
        _worn({"event": ["2031-05-29T00:00:00+02:00"]}),
        _worn({"event": ["2031-05-28T00:00:00+02:00"]}),
    ),
]


@pytest.mark.parametrize(
    ("rule", "quiet", "raised"),
    [(rule, quiet, raised) for rule, _, quiet, raised in CASES],
    ids=[f"{rule}: {name}" for rule, name, _, _ in CASES],
)
def test_a_rule_holds_from_its_threshold_on(rule: str, quiet: History, raised: History) -> None:
    assert rule not in rules(quiet, ALL_ON)
    assert rule in rules(raised, ALL_ON)


def test_every_rule_is_in_the_table_above() -> None:
    assert {rule for rule, *_ in CASES} == set(RULES)


CLINIC: list[tuple[str, str, str, History]] = [
    ("blood-more", "millilitres", "10", history([bled(28, 9)])),
    ("blood-massive", "millilitres", "250", history([bled(28, 245)])),
    ("blood-massive", "hours", "12", history([bled(27, 200), bled(27, 100, "20:00:00")])),
    ("blood-massive-days", "millilitres", "150", history([bled(27, 120), bled(28, 120)])),
    ("blood-massive-days", "days", "3", history([bled(27, 120), bled(28, 120)])),
    ("blood-massive-days", "within_days", "1", history([bled(27, 120), bled(28, 120)])),
    ("blood-repeated", "occasions", "3", history([bled(27), bled(28)])),
    ("blood-repeated", "days", "1", history([bled(27), bled(28)])),
    ("oxygen-low", "percent", "88", history([log(28, spo2=89)])),
    ("oxygen-drop", "points", "6", history([*usually("spo2", 97), log(28, spo2=92)])),
    ("oxygen-drop", "readings", "6", history([*usually("spo2", 97), log(28, spo2=92)])),
    ("oxygen-drop", "usual_days", "6", history([*usually("spo2", 97), log(28, spo2=92)])),
    ("setting-differs", "steps", "1", history([log(28, setting=4)])),
    ("tolerance-falling", "sessions", "4", history(_short(6, 5, 5, 5))),
    ("unwell-without-step-up", "days", "3", history([log(27), log(28)], [unwell(27)])),
    ("unwell-beyond", "days", "4", history((), [unwell(26)])),
    ("review-overdue", "days", "1", _due(review={"due": "2031-05-28"})),
    (
        "replacement-overdue",
        "days",
        "1",
        _worn({"frequency": 1, "period": 28, "periodUnit": "d"}),
    ),
    (
        "breathlessness-rise",
        "points",
        "4",
        history([*usually("breathlessness", 2), log(28, breathlessness=5)]),
    ),
]


@pytest.mark.parametrize(
    ("rule", "name", "number", "what"), CLINIC, ids=[f"{rule}.{name}" for rule, name, *_ in CLINIC]
)
def test_the_clinic_sets_the_numbers(rule: str, name: str, number: str, what: History) -> None:
    assert rule in rules(what, ALL_ON)
    own = replace(ALL_ON, numbers={**ALL_ON.numbers, (rule, name): Decimal(number)})
    assert rule not in rules(what, own)


@pytest.mark.parametrize("limit", ["5", "10"])
@pytest.mark.parametrize("volume", ["0.1", "4.9", "5.0", "7", "9.9", "10.0"])
def test_blood_is_either_scant_or_more_whatever_the_limit(limit: str, volume: str) -> None:
    own = replace(ALL_ON, numbers={("blood-more", "millilitres"): Decimal(limit)})
    expected = "blood-more" if Decimal(volume) >= Decimal(limit) else "blood-scant"
    both = rules(history([bled(28, Decimal(volume))]), own) & {"blood-more", "blood-scant"}
    assert both == {expected}


def test_a_rule_that_is_off_finds_nothing() -> None:
    what = history([log(28, chestPain=True)])
    assert rules(what, SafetyPolicy(rules=frozenset())) == set()


def test_what_nobody_verified_is_off_until_a_clinic_wants_it() -> None:
    off = {code for code in RULES if not DEFAULT_POLICY.holds(code)}
    assert off == {code for code in RULES if RULES[code].source.standing == "unverified"}
    assert off == {"sputum-darker"}


def test_without_agreed_days_nobody_is_unwell_for_too_long() -> None:
    assert "unwell-beyond" not in rules(history((), [unwell(2)]))
    agreed = history((), [unwell(25)], [a_plan(unwellDays=4)])
    assert found(agreed)["unwell-beyond", ""].expected == "unwell for at most 4 days"


def test_a_finding_says_what_was_found_and_what_was_expected() -> None:
    one = found(history([bled(28, Decimal("12.5"))]))["blood-more", ""]
    assert one.found == "streaks of blood, 12.5 mL, graded by clinic scheme"
    assert one.expected == "less than 5 mL and no more than streaks"
    assert [(e.kind, e.id, e.version) for e in one.evidence] == [("session", "s0000", 1)]
    assert one.since == datetime.fromisoformat("2031-05-28T07:00:00+02:00")


def test_a_finding_about_a_regimen_or_a_device_names_it() -> None:
    worn = _worn({"frequency": 1, "period": 28, "periodUnit": "d"})
    assert ("replacement-overdue", "blower") in found(worn)
    assert ("setting-differs", "opep") in found(history([log(28, setting=5)]))
    assert ("unwell-without-step-up", "more") in found(history([log(27), log(28)], [unwell(27)]))


def test_what_is_long_past_was_told_when_it_came() -> None:
    """28 days by default, from when it happened or from when the record learnt of it."""
    old = bled(1)
    assert rules(history([old])) == set()
    late = History(known([a_plan()], "plan"), known([old], known_at=NOW - timedelta(days=28)))
    assert rules(late) == {"blood-scant", "blood-first"}
    later = replace(DEFAULT_POLICY, recent_days=27)
    assert rules(late, later) == set()


def test_the_first_blood_is_first_only_once() -> None:
    assert "blood-first" not in rules(history([log(28), *(bled(day) for day in (1, 28))]))


def test_a_session_with_a_doubtful_clock_is_heard_when_it_comes() -> None:
    """Nobody knows when it was, but it was before the record learnt of it."""
    lost = bled(28).model_copy(
        update={"start": datetime.fromisoformat("1970-01-01T00:12:00+00:00"), "clock": "suspect"}
    )
    logs = [*known([bled(27)]), *known([lost], "lost", known_at=NOW - timedelta(hours=1))]
    answer = found(History(known([a_plan()], "plan"), logs))
    assert ("blood-repeated", "") in answer
    assert answer["blood-scant", ""].evidence[-1].at == NOW - timedelta(hours=1)


@pytest.mark.parametrize("why", ["entered-in-error", "cancelled", "not interpretable"])
def test_what_does_not_stand_is_no_sign(why: str) -> None:
    logs = [one._replace(excluded=why) for one in known([log(28, chestPain=True)])]
    assert rules(History(known([a_plan()], "plan"), logs)) == set()


def test_a_preliminary_log_is_heard() -> None:
    logs = [one._replace(excluded="preliminary") for one in known([log(28, chestPain=True)])]
    assert rules(History(known([a_plan()], "plan"), logs)) == {"chest-pain"}


def test_a_child_without_a_plan_is_heard() -> None:
    assert "blood-more" in rules(history([bled(28, 12)], plans=[]))


def test_readings_while_unwell_are_not_what_is_usual() -> None:
    logs = [*usually("spo2", 97), log(28, spo2=92)]
    assert "oxygen-drop" in rules(history(logs))
    assert "oxygen-drop" not in rules(history(logs, [unwell(21, 21)]))


def test_another_prescription_is_another_amount() -> None:
    """Falling short of what was raised says nothing about tolerance."""
    raised = regimen(1, healthState="any", dose={"basis": "cycles", "cycles": 8, "breaths": 10})
    plans = [a_plan(WELL), a_plan(raised, start="2031-05-21")]
    assert "tolerance-falling" not in rules(history(_short(6, 6, 6, 6, 6), plans=plans))


def test_what_was_not_done_says_nothing_about_tolerance() -> None:
    logs = [*_short(6, 5, 5), log(24, outcome="not-done", reason="holiday")]
    assert "tolerance-falling" not in rules(history(logs))


def test_lying_flat_as_the_plan_allows_is_nothing_to_tell() -> None:
    allowed = WELL | {"position": [{"position": "supine", "use": "allowed"}]}
    plans = [a_plan(allowed)]
    assert "lying-flat" not in rules(history([log(28, position="supine")], plans=plans))


def test_well_again_or_in_hospital_is_not_unwell_beyond() -> None:
    assert "unwell-beyond" not in rules(history((), [unwell(20, 28)]), ALL_ON)
    stay = [known([pause("2031-05-28")], "pause")]
    what = replace(history((), [unwell(20)]), pauses=stay[0])
    assert "unwell-beyond" not in rules(what, ALL_ON)
    assert "unwell-beyond" in rules(replace(what, pauses=()), ALL_ON)


def test_days_without_a_log_are_never_a_sign() -> None:
    """Four weeks of silence, unwell all the time."""
    assert rules(history((), [unwell(2)])) == set()


def test_a_new_version_of_the_plan_makes_no_part_newer() -> None:
    schedule = {"frequency": 1, "period": 28, "periodUnit": "d"}
    care = {"task": "replace", "method": "new valve", "schedule": schedule}
    device = {"key": "blower", "kind": "opep-handheld", "care": [care]}
    plans = [a_plan(device=[device]), a_plan(device=[device], start="2031-05-20")]
    assert "replacement-overdue" in rules(history(plans=plans))
    other = [plans[0], a_plan(UNWELL, device=[device | {"kind": "pep-mask"}], start="2031-05-20")]
    assert "replacement-overdue" not in rules(history(plans=other))


def test_every_due_replacement_is_told_by_its_own_day() -> None:
    worn = _worn({"frequency": 1, "period": 14, "periodUnit": "d"})
    one = found(worn)["replacement-overdue", "blower"]
    assert one.found == "a replacement was due by 2031-05-28"
    earlier = found(worn, now=NOW - timedelta(days=1))["replacement-overdue", "blower"]
    assert earlier.found == "a replacement was due by 2031-05-14"
