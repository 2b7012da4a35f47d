"""Laws of the safety rules, and what the table says of its sources."""

from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from decimal import Decimal
from typing import Any

import pytest
from histories import session, state
from hypothesis import given, settings
from hypothesis import strategies as st
from safety_cases import NOW, a_plan, known

from service.programme.adherence import History, Known
from service.programme.alarms import alarms, to_tell
from service.programme.log import Session
from service.programme.safety import DEFAULT_POLICY, RULES, Signs, assess, signs_at_once

RED = {code for code, rule in RULES.items() if rule.urgency in ("emergency", "urgent")}

_SEEN = st.sampled_from(["none", "streaks", "more-than-streaks"])
_BLOOD = st.fixed_dictionaries(
    {"seen": _SEEN}, optional={"volume": st.integers(0, 300), "scheme": st.just("clinic scheme")}
)
_SIGNS = st.fixed_dictionaries(
    {},
    optional={
        "blood": _BLOOD,
        "spo2": st.integers(80, 100),
        "breathlessness": st.integers(0, 10),
        "chestPain": st.booleans(),
        "faint": st.booleans(),
        "stoppedEarly": st.just("tired"),
        "clock": st.just("suspect"),
    },
)
_HOW = st.fixed_dictionaries(
    {"outcome": st.sampled_from(["complete", "partial", "not-done"])},
    optional={
        "cycles": st.integers(0, 8),
        "setting": st.integers(1, 5),
        "position": st.sampled_from(["upright", "supine"]),
        "regimen": st.sampled_from(["opep", "more"]),
        "technique": st.sampled_from(["opep", "pep", "huff"]),
        "recordedBy": st.sampled_from(["diary", "device"]),
        "minutes": st.integers(1, 30),
    },
)
_HOURS = st.integers(0, 60 * 24)
"""Hours before ``NOW``, sixty days back."""


def _at(hours: int) -> datetime:
    return (NOW - timedelta(hours=hours)).astimezone(UTC)


def _session(hours: int, says: dict[str, Any]) -> Session:
    return session(_at(hours), **says)


_ANY_SESSION = st.builds(_session, _HOURS, st.builds(lambda a, b: a | b, _SIGNS, _HOW))
_CALM_SESSION = st.builds(_session, _HOURS, _HOW)
_STATE = st.builds(lambda hours: state(_at(hours).isoformat()), _HOURS)
_HISTORIES = st.builds(
    lambda sessions, states: History(
        known([a_plan()], "plan"), known(sessions), known(states, "state")
    ),
    st.lists(_ANY_SESSION, max_size=12),
    st.lists(_STATE, max_size=2),
)


@given(_HISTORIES, _CALM_SESSION)
@settings(max_examples=150, deadline=None)
def test_a_session_without_signs_adds_no_red_flag(what: History, calm: Session) -> None:
    more = replace(what, sessions=[*what.sessions, *known([calm], "calm")])
    assert _red(more) <= _red(what)


@given(_HISTORIES, st.randoms(use_true_random=False))
@settings(max_examples=100, deadline=None)
def test_the_order_of_rows_does_not_matter(what: History, random: Any) -> None:
    shuffled = [*what.sessions]
    random.shuffle(shuffled)
    other = replace(what, sessions=shuffled, states=[*reversed(what.states)])
    assert assess(other, now=NOW) == assess(what, now=NOW)


@given(_HISTORIES, st.lists(_ANY_SESSION, max_size=4))
@settings(max_examples=100, deadline=None)
def test_what_becomes_known_later_changes_no_earlier_answer(
    what: History, later: Sequence[Session]
) -> None:
    news = known(later, "later", known_at=NOW + timedelta(seconds=1))
    corrections = [
        Known(one.id, 2, NOW + timedelta(seconds=1), one.value, "entered-in-error")
        for one in what.sessions
    ]
    more = replace(what, sessions=[*what.sessions, *news, *corrections])
    assert assess(more, now=NOW) == assess(what, now=NOW)


@given(_HISTORIES)
@settings(max_examples=100, deadline=None)
def test_what_was_entered_in_error_is_as_if_it_never_was(what: History) -> None:
    undone = [Known(one.id, 2, NOW, one.value, "entered-in-error") for one in what.sessions]
    corrected = replace(what, sessions=[*what.sessions, *undone])
    assert assess(corrected, now=NOW) == assess(replace(what, sessions=()), now=NOW)


@given(_HISTORIES)
@settings(max_examples=100, deadline=None)
def test_a_finding_rests_on_what_is_there(what: History) -> None:
    there = {(one.id, one.version) for one in (*what.sessions, *what.states, *what.plans)}
    answer = assess(what, now=NOW)
    assert len({(one.rule, one.about) for one in answer}) == len(answer)
    for one in answer:
        assert one.evidence
        assert {(proof.id, proof.version) for proof in one.evidence} <= there
        assert one.since == min(proof.at for proof in one.evidence)


@given(_ANY_SESSION)
def test_a_document_and_its_session_name_the_same_signs(one: Session) -> None:
    assert alarms(one.to_json()) == signs_at_once(Signs.of(one), DEFAULT_POLICY)


@given(_ANY_SESSION)
def test_what_cannot_wait_is_told_to_the_family_and_to_the_team(one: Session) -> None:
    """One table: every sign told at once is a finding as well."""
    told = set(alarms(one.to_json()))
    answer = assess(History(sessions=known([one], known_at=NOW)), now=NOW)
    assert told <= {RULES[found.rule].at_once for found in answer}


@pytest.mark.parametrize(
    ("says", "signs"),
    [
        ({"blood": {"seen": "streaks", "volume": Decimal("4.9")}}, ()),
        (
            {"blood": {"seen": "streaks", "volume": Decimal("5.0")}},
            ("more than streaks of blood",),
        ),
        ({"blood": {"seen": "more-than-streaks"}}, ("more than streaks of blood",)),
        ({"blood": {"volume": 300}}, ("much blood", "more than streaks of blood")),
        ({"chestPain": True, "start": "yesterday"}, ("chest pain",)),
        ({"faint": True, "nonsense": 1}, ("faintness",)),
        ({"chestPain": "true", "faint": 1, "blood": []}, ()),
        ({"spo2": 89}, ("low oxygen saturation",)),
        ({"spo2": 90, "stoppedEarly": "dizzy"}, ("stopped early",)),
    ],
)
def test_signs_are_heard_in_rows_that_are_refused(
    says: dict[str, Any], signs: tuple[str, ...]
) -> None:
    assert alarms(says) == signs


def test_the_family_is_told_whatever_the_team_wants_to_hear_of() -> None:
    """A clinic that switches a rule off does not silence the stop-and-call text."""
    off = replace(DEFAULT_POLICY, rules=frozenset())
    assert alarms({"chestPain": True}, off) == ("chest pain",)
    assert to_tell({"blood": {"seen": "streaks"}}, off) == ("a little blood",)
    own = replace(DEFAULT_POLICY, numbers={("blood-more", "millilitres"): Decimal(3)})
    four = {"blood": {"seen": "streaks", "volume": 4}}
    assert (alarms(four), to_tell(four)) == ((), ("a little blood",))
    assert (alarms(four, own), to_tell(four, own)) == (("more than streaks of blood",), ())


@pytest.mark.parametrize("rule", RULES.values(), ids=RULES)
def test_every_rule_names_its_source_and_defers(rule: Any) -> None:
    assert rule.source.text
    assert (rule.source.standing == "published") or rule.source.uri is None
    assert rule.expected.format(**{one.name: "1" for one in rule.thresholds})
    unnamed = [one.name for one in rule.thresholds if f"{{{one.name}}}" not in rule.expected]
    assert not unnamed, "a threshold that the finding does not tell"
    words = f"{rule.title} {rule.advice}".lower()
    for forbidden in ("diagnos", "pneumothorax", "exacerbation", "increase the dose", "antibiotic"):
        assert forbidden not in words


def test_sources_with_an_address_are_those_with_an_archive_number() -> None:
    linked = {code: rule.source.uri for code, rule in RULES.items() if rule.source.uri}
    assert set(linked) == {"oxygen-low", "oxygen-drop", "blood-repeated"}
    assert set(linked.values()) == {"https://www.ncbi.nlm.nih.gov/pmc/articles/PMC3844027/"}


def _red(what: History) -> set[tuple[str, str]]:
    return {
        (one.rule, proof.id)
        for one in assess(what, now=NOW)
        if one.rule in RED
        for proof in one.evidence
    }
