"""Sessions, states of health and pauses as Observations and back."""

from decimal import Decimal

import pytest
from fhir.resources.R4B.observation import Observation
from foreign import MARK, added_to
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from mapping_helpers import through_text
from profile_files import our_validator
from serious import serious
from strategies import health_states, pauses, reviews, sessions

from service.fhir.json import JsonObject, write
from service.fhir.outcome import has_errors
from service.mapping.interpretable import may_bend, why_not_interpretable
from service.mapping.logs import (
    RegimenLink,
    health_state_to_observation,
    log_identifier,
    observation_to_health_state,
    observation_to_pause,
    observation_to_review,
    observation_to_session,
    pause_to_observation,
    review_to_observation,
    session_to_observation,
)
from service.programme.base import Document
from service.programme.log import HealthState, Pause, Session
from service.programme.review import TechniqueReview

laws = settings(max_examples=60, deadline=None, suppress_health_check=list(HealthCheck))
VALIDATOR = our_validator()
LINK = RegimenLink("ServiceRequest/r1", "meadow-7")
SESSION = {
    "source": "diary-phone",
    "child": {"system": "https://clinic.example/children", "value": "7"},
    "technique": "opep",
    "start": "2031-05-03T07:05:00+02:00",
    "recordedBy": "diary",
    "outcome": "complete",
}


def observed(session: Session, **more: object) -> JsonObject:
    return through_text(
        session_to_observation(session, subject="Patient/p1", id="o1", **more)  # type: ignore[arg-type]
    )


def test_an_example_to_read() -> None:
    details = {"minutes": Decimal("12.50"), "spo2": 97, "performer": "parent", "regimen": "opep"}
    observation = observed(Session.model_validate(SESSION | details), regimen=LINK)
    parts = {part["code"]["coding"][0]["code"]: part for part in observation["component"]}
    assert write(parts["minutes"]["valueQuantity"]) == (
        b'{"value":12.50,"unit":"min","system":"http://unitsofmeasure.org","code":"min"}'
    )
    # R4 vital signs, oxygen saturation: both LOINC codes beside each other
    assert [coding["code"] for coding in parts["spo2"]["code"]["coding"]] == [
        "spo2",
        "59408-5",
        "2708-6",
    ]
    assert observation["performer"] == [{"type": "RelatedPerson", "display": "parent"}]
    assert observation["basedOn"][0]["identifier"]["value"] == "meadow-7/opep"
    assert observation["identifier"][0]["system"].endswith("/session-digest")
    assert "dataAbsentReason" not in observation


def test_a_session_not_done_says_that_nothing_was_performed() -> None:
    observation = observed(Session.model_validate(SESSION | {"outcome": "not-done"}))
    assert observation["dataAbsentReason"]["coding"][0]["code"] == "not-performed"
    done = observed(Session.model_validate(SESSION), earlier=observation)
    assert "dataAbsentReason" not in done


@laws
@given(sessions(), st.sampled_from([None, LINK]))
def test_a_session_comes_back(session: Session, link: RegimenLink | None) -> None:
    same(observation_to_session(observed(session, regimen=link)), session)


@laws
@given(health_states())
def test_a_state_of_health_comes_back(state: HealthState) -> None:
    observation = health_state_to_observation(state, subject="Patient/p1", id="o1")
    check_valid(observation)
    same(observation_to_health_state(through_text(observation)), state)


@laws
@given(pauses())
def test_a_pause_comes_back(pause: Pause) -> None:
    observation = pause_to_observation(pause, subject="Patient/p1", id="o1")
    check_valid(observation)
    same(observation_to_pause(through_text(observation)), pause)


@laws
@given(reviews(), st.data())
def test_a_technique_review_comes_back_and_leaves_what_others_added(
    review: TechniqueReview, data: st.DataObject
) -> None:
    observation = review_to_observation(review, subject="Patient/p1", id="o1")
    check_valid(observation)
    same(observation_to_review(through_text(observation)), review)
    theirs = data.draw(added_to(through_text(observation)))
    same(observation_to_review(theirs), review)
    again = review_to_observation(review, subject="Patient/p1", id="o1", earlier=theirs)
    assert through_text(again) == theirs
    amended = review.model_copy(update={"helper": "Aunt", "method": "remote"})
    changed = review_to_observation(amended, subject="Patient/p1", id="o1", earlier=theirs)
    same(observation_to_review(changed), amended)
    assert write(changed).count(MARK.encode()) == write(theirs).count(MARK.encode())


def test_a_review_to_read() -> None:
    review = TechniqueReview.model_validate(
        {
            "child": SESSION["child"],
            "technique": "opep",
            "date": "2031-05-12",
            "method": "in-clinic",
            "reviewer": {"name": "Ash Birch"},
            "step": [
                {"step": "seal", "shown": "seen"},
                {"step": "huff-open-throat", "shown": "not-yet"},
            ],
        }
    )
    observation = review_to_observation(review, subject="Patient/p1", id="o1")
    assert observation["effectiveDateTime"] == "2031-05-12"
    assert observation["performer"] == [{"type": "Practitioner", "display": "Ash Birch"}]
    told = [
        (part["code"]["coding"][0]["code"], part["valueCodeableConcept"]["coding"][0]["code"])
        for part in observation["component"]
    ]
    assert told == [("technique", "opep"), ("seal", "seen"), ("huff-open-throat", "not-yet")]


@laws
@given(sessions())
def test_every_session_is_valid(session: Session) -> None:
    """By our validator, and by the models of fhir.resources (R4B), which others wrote."""
    check_valid(observed(session, regimen=LINK))


@laws
@given(sessions(), st.data())
def test_what_others_added_survives(session: Session, data: st.DataObject) -> None:
    theirs = data.draw(added_to(observed(session, regimen=LINK)))
    same(observation_to_session(theirs), session)
    assert observed(session, regimen=LINK, earlier=theirs) == theirs
    amended = session.model_copy(update={"minutes": Decimal("7.0"), "helper": "Aunt"})
    again = observed(amended, regimen=LINK, earlier=theirs, status="amended")
    assert write(again).count(MARK.encode()) == write(theirs).count(MARK.encode())


def test_the_same_entry_sent_twice_is_known_again() -> None:
    """Whatever the offset in which its start is written."""
    elsewhere = SESSION | {"start": "2031-05-03T05:05:00Z"}
    other = SESSION | {"technique": "huff"}
    first, second, third = (
        log_identifier(Session.model_validate(each)) for each in (SESSION, elsewhere, other)
    )
    assert first == second
    assert first != third


def test_an_observation_of_another_system_is_read_through_its_references() -> None:
    observation = observed(Session.model_validate(SESSION))
    del observation["subject"]["identifier"]
    observation["basedOn"] = [{"reference": "ServiceRequest/r1"}]
    regimen = {
        "resourceType": "ServiceRequest",
        "identifier": [
            {"system": "https://airway-programmes.example/fhir/regimen", "value": "meadow-7/opep"}
        ],
    }
    known = {
        "Patient/p1": {"resourceType": "Patient", "identifier": [SESSION["child"]]},
        "ServiceRequest/r1": regimen,
    }
    session = observation_to_session(observation, known.get)
    assert session.regimen == "opep"
    assert session.child.value == "7"


@pytest.mark.parametrize(
    ("addition", "place"),
    [
        ({"modifierExtension": [{"url": "https://x.example/not"}]}, "Observation.modifierExt"),
        ({"component": [{"modifierExtension": [{"url": "u"}]}]}, "Observation.component[0].mod"),
        ({"implicitRules": "https://x.example/rules"}, "Observation.implicitRules"),
        ({"valueQuantity": {"value": 5, "comparator": "<"}}, "Observation.valueQuantity.comp"),
    ],
)
def test_what_changes_the_meaning_unseen_stops_use(addition: JsonObject, place: str) -> None:
    """R4, extensibility: an unknown modifier extension must not be ignored."""
    reason = why_not_interpretable({"resourceType": "Observation"} | addition)
    assert reason is not None
    assert reason.startswith(place)
    assert may_bend(write(addition))
    assert may_bend(b'{"resourceType":"Observation","implicit\\u0052ules":"https://x.example"}')


def test_what_we_write_may_be_used() -> None:
    observation = observed(Session.model_validate(SESSION))
    assert why_not_interpretable(observation) is None
    assert not may_bend(write(observation))


def check_valid(observation: JsonObject) -> None:
    findings = serious(VALIDATOR.validate(observation))
    assert not has_errors(findings), findings
    Observation.model_validate_json(write(observation))


def same(one: Document, other: Document) -> None:
    """Equal to the last digit and offset."""
    assert write(one.to_json()) == write(other.to_json())
