"""When a consent lets a child's data into a release; whatever is unclear means no."""

from copy import deepcopy
from datetime import UTC, datetime
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from shared_data import shared

from service.fhir.json import read
from service.mapping.canonical import BASE
from service.registry.ages import completed_years, may_have_reached
from service.registry.consent import Terms, consent_gap, has_consent

_AT = datetime(2026, 7, 3, 8, 0, tzinfo=UTC)
_BORN = "2016-05-01"

_CONSENT: dict[str, Any] = {
    "resourceType": "Consent",
    "id": "consent-1",
    "status": "active",
    "scope": {
        "coding": [
            {"system": "http://terminology.hl7.org/CodeSystem/consentscope", "code": "research"}
        ]
    },
    "category": [
        {"coding": [{"system": f"{BASE}/CodeSystem/airway-consent", "code": "adherence-research"}]}
    ],
    "patient": {"reference": "Patient/child-1"},
    "dateTime": "2026-01-10",
    "performer": [{"reference": "RelatedPerson/parent-1"}],
    "policyRule": {"text": "The registry's consent form, edition 2"},
    "provision": {
        "type": "permit",
        "period": {"start": "2026-01-10", "end": "2030-01-09"},
        "purpose": [
            {"system": "http://terminology.hl7.org/CodeSystem/v3-ActReason", "code": "HRESCH"}
        ],
    },
}


def _consent(**changes: Any) -> dict[str, Any]:
    """The consent with ``a__b=value`` for the element ``a.b``; ``None`` takes it away."""
    consent = deepcopy(_CONSENT)
    for path, value in changes.items():
        *parents, name = path.split("__")
        place = consent
        for parent in parents:
            place = place[parent]
        if value is None:
            del place[name]
        else:
            place[name] = value
    return consent


def test_an_active_research_consent_of_a_parent_holds() -> None:
    assert consent_gap(_CONSENT, _BORN, _AT, Terms()) is None
    assert has_consent([_CONSENT], _BORN, _AT, Terms())


def test_no_consent_is_no_consent() -> None:
    assert not has_consent([], _BORN, _AT, Terms())


_CARE = {"coding": [{"system": "http://terminology.hl7.org/CodeSystem/consentscope", "code": "tx"}]}


@pytest.mark.parametrize(
    ("changes", "gap"),
    [
        ({"scope": _CARE}, "other-consent"),
        ({"scope": {"text": "research"}}, "other-consent"),
        ({"category": [{"text": "adherence-research"}]}, "other-consent"),
        ({"status": "draft"}, "not-active"),
        ({"status": "proposed"}, "not-active"),
        ({"status": "rejected"}, "not-active"),
        ({"status": "inactive"}, "not-active"),
        ({"status": "entered-in-error"}, "not-active"),
        ({"provision__type": "deny"}, "refused"),
        ({"provision": None}, "not-understood"),
        ({"provision__type": None}, "not-understood"),
        ({"provision__purpose": None}, "not-understood"),
        ({"provision__provision": [{"type": "deny"}]}, "not-understood"),
        ({"provision__dataPeriod": {"start": "2026-03-01"}}, "not-understood"),
        ({"provision__class": [{"code": "Observation"}]}, "not-understood"),
        ({"modifierExtension": [{"url": "https://example.org/not"}]}, "not-understood"),
        ({"implicitRules": "https://example.org/rules"}, "not-understood"),
        (
            {"provision__actor": [{"modifierExtension": [{"url": "https://example.org/not"}]}]},
            "not-understood",
        ),
        ({"provision__period": None}, "not-in-force"),
        ({"provision__period__start": None}, "not-in-force"),
        ({"provision__period__start": "2026-08"}, "not-in-force"),
        ({"provision__period__end": "2026-07-02"}, "not-in-force"),
        ({"provision__actor": [{"reference": {"reference": "Organization/x"}}]}, "other-recipient"),
    ],
)
def test_what_is_missing_is_named(changes: dict[str, Any], gap: str) -> None:
    assert consent_gap(_consent(**changes), _BORN, _AT, Terms()) == gap
    assert not has_consent([_consent(**changes)], _BORN, _AT, Terms())


def test_a_consent_for_a_named_registry_holds_for_that_one_only() -> None:
    named = _consent(provision__actor=[{"reference": {"reference": "Organization/registry-1"}}])
    assert has_consent([named], _BORN, _AT, Terms(recipient="Organization/registry-1"))
    assert not has_consent([named], _BORN, _AT, Terms(recipient="Organization/registry-2"))
    assert has_consent([_CONSENT], _BORN, _AT, Terms(recipient="Organization/registry-1"))


def test_a_refusal_wins_over_every_permission() -> None:
    refusal = _consent(id="consent-2", provision__type="deny")
    assert not has_consent([_CONSENT, refusal], _BORN, _AT, Terms())
    withdrawn = _consent(id="consent-2", status="inactive", provision__type="deny")
    assert has_consent([_CONSENT, withdrawn], _BORN, _AT, Terms())


@pytest.mark.parametrize(
    ("period", "at", "holds"),
    [
        # A day without a zone has begun everywhere at 12:00Z, and has ended somewhere at 10:00Z.
        ({"start": "2026-07-03"}, "2026-07-03T11:59:59+00:00", False),
        ({"start": "2026-07-03"}, "2026-07-03T12:00:00+00:00", True),
        ({"start": "2026-01", "end": "2026-07-03"}, "2026-07-03T09:59:59+00:00", True),
        ({"start": "2026-01", "end": "2026-07-03"}, "2026-07-03T10:00:00+00:00", False),
        ({"start": "2026", "end": "2026"}, "2026-12-31T09:00:00+00:00", True),
        ({"start": "2026-01-01", "end": "2028-02"}, "2028-02-29T09:00:00+00:00", True),
        ({"start": "2026-07-03T10:00:00+02:00"}, "2026-07-03T07:59:59+00:00", False),
        ({"start": "2026-07-03T10:00:00+02:00"}, "2026-07-03T08:00:00+00:00", True),
        ({"start": "2026", "end": "2026-07-03T08:00:00Z"}, "2026-07-03T08:00:01+00:00", False),
    ],
)
def test_the_period_covers_the_instant_wherever_it_was_written(
    period: dict[str, str], at: str, holds: bool
) -> None:
    found = consent_gap(
        _consent(provision__period=period), _BORN, datetime.fromisoformat(at), Terms()
    )
    assert (found is None) == holds


@pytest.mark.parametrize(
    ("born", "holds"),
    [
        ("2010-07-05", True),  # 16 the day after tomorrow
        ("2010-07-03", False),  # 16 today
        ("2010-08", True),
        ("2010-07", False),  # may be 16 already
        ("2011", True),
        ("2010", False),  # may be 16 already
        (None, False),
    ],
)
def test_a_parents_consent_ends_when_the_child_comes_of_age(born: str | None, holds: bool) -> None:
    assert has_consent([_CONSENT], born, _AT, Terms()) == holds


def test_the_age_of_consent_is_a_setting() -> None:
    assert not has_consent([_CONSENT], "2012-01-01", _AT, Terms(age_of_consent=14))
    assert has_consent([_CONSENT], "2010-01-01", _AT, Terms(age_of_consent=18))


def test_who_gave_it_unknown_counts_as_a_parent() -> None:
    assert has_consent([_consent(performer=None)], _BORN, _AT, Terms())
    assert not has_consent([_consent(performer=None)], "2010-01-01", _AT, Terms())


@pytest.mark.parametrize(
    ("born", "given", "holds"),
    [
        ("2010-01-01", "2026-01-10", True),  # given at 16
        ("2010-01-11", "2026-01-10", False),  # given the day before
        ("2010", "2026-06-30", False),  # may have been given before
        ("2009", "2026", True),
        ("2010-01-01", "2026-01-10T10:00:00+01:00", True),
    ],
)
def test_ones_own_consent_counts_when_it_was_given_at_that_age(
    born: str, given: str, holds: bool
) -> None:
    own = _consent(performer=[{"reference": "Patient/child-1"}], dateTime=given)
    assert has_consent([own], born, _AT, Terms()) == holds


def test_nobody_in_particular_is_not_the_child() -> None:
    """Neither the child nor the giver is referred to: that they are the same is not known."""
    nameless = _consent(
        patient={"display": "a child"}, performer=[{"display": "somebody"}], dateTime="2026-06-30"
    )
    assert not has_consent([nameless], "2009-01-01", _AT, Terms())


def test_a_childs_own_consent_before_that_age_needs_the_parents_beside_it() -> None:
    child, parent = {"reference": "Patient/child-1"}, {"reference": "RelatedPerson/parent-1"}
    assert not has_consent([_consent(performer=[child])], _BORN, _AT, Terms())
    assert has_consent([_consent(performer=[child, parent])], _BORN, _AT, Terms())


def test_no_official_example_is_mistaken_for_a_consent_to_our_research() -> None:
    """The Consent examples of HL7 FHIR R4 are about care and privacy, one about other research."""
    examples = sorted(shared("conformance/examples").glob("Consent-*.json"))
    assert len(examples) >= 8
    for example in examples:
        assert consent_gap(read(example.read_bytes()), _BORN, _AT, Terms()) == "other-consent"


@pytest.mark.parametrize(
    ("born", "on", "years"),
    [
        ("2018-07-01", "2026-07-01", 8),
        ("2018-07-02", "2026-07-01", 7),
        ("2018-06", "2026-07-01", 8),
        ("2018", "2026-01-01", 7),
        ("2020-02-29", "2026-02-28", 5),
        ("2020-02-29", "2026-03-01", 6),
    ],
)
def test_completed_years(born: str, on: str, years: int) -> None:
    assert completed_years(born, datetime.fromisoformat(on).date()) == years


@given(st.dates(), st.integers(0, 20))
def test_a_month_may_have_reached_an_age_no_later_than_any_day_of_it(born: Any, age: int) -> None:
    on = born.replace(year=min(born.year + age, 9999), day=1)
    month = born.isoformat()[:7]
    assert may_have_reached(age, month, on) >= may_have_reached(age, born.isoformat(), on)
