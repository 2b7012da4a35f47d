"""Sessions at a glance: never anything but what the long way reads, and nearly always that."""

from decimal import Decimal
from typing import Any

import pytest
from edits import edited
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from strategies import sessions

from service.fhir.json import JsonObject, read_back, write
from service.mapping import glance
from service.mapping.errors import UnmappableError
from service.mapping.glance import Glance, SeenSession
from service.mapping.interpretable import why_not_interpretable
from service.mapping.logs import RegimenLink, observation_to_session, session_to_observation
from service.mapping.tables import tables
from service.programme.log import Session

laws = settings(max_examples=300, deadline=None, suppress_health_check=list(HealthCheck))
PATIENT = "Patient/p1"
LINK = RegimenLink("ServiceRequest/r1", "meadow-7")
SESSION = {
    "id": {"system": "https://diary.example/log", "value": "77"},
    "source": "diary-phone",
    "child": {"system": "https://clinic.example/children", "value": "7"},
    "technique": "opep",
    "regimen": "opep-well",
    "start": "2031-05-03T07:05:00+02:00",
    "end": "2031-05-03T07:20:00+02:00",
    "recorded": "2031-05-03T07:21:00+02:00",
    "recordedBy": "diary",
    "performer": "child",
    "outcome": "complete",
    "minutes": 12.5,
    "cycles": 6,
    "sets": 2,
    "sputum": {"amount": "teaspoon", "colour": "clear"},
    "spo2": 97,
    "clock": "corrected",
}


def observed(session: Session, link: RegimenLink | None = LINK) -> JsonObject:
    return session_to_observation(session, subject=PATIENT, regimen=link, id="o1")


EXAMPLES = [
    observed(Session.model_validate(SESSION | more))
    for more in (
        {},
        {"blood": {"seen": "streaks", "volume": 2}, "chestPain": True},
        {"outcome": "not-done", "reason": "asleep", "id": None},
    )
]


def seen(observation: JsonObject) -> tuple[SeenSession | None, Session | None]:
    """As far as figures rest on it, and whole."""
    glance, body = Glance(), write(observation)
    figures, whole = glance.session(body, PATIENT), glance.whole(body, PATIENT)
    for found in (figures, whole):
        assert found is None or found[1] == observation["status"]
    return figures and figures[0], whole and whole[0]


def long_way(observation: JsonObject) -> Session | None:
    """None for no session of the child's, or none that may count."""
    coding: Any = observation["code"]["coding"]
    ours = any((one.get("system"), one.get("code")) == glance._SESSION for one in coding)
    if not ours or observation["subject"]["reference"] != PATIENT:
        return None
    if why_not_interpretable(observation):
        return None
    try:
        return observation_to_session(observation)
    except UnmappableError:
        return None


def assert_same(found: tuple[SeenSession | None, Session | None], session: Session | None) -> None:
    """Whatever was seen is so."""
    told, whole = found
    if told is not None:
        assert session is not None
        for name in SeenSession._fields:
            assert getattr(told, name) == getattr(session, name), name
    if whole is not None:
        assert session is not None
        assert whole == session
        assert write(whole.to_json()) == write(session.to_json())


def test_an_example_to_read() -> None:
    told, whole = seen(EXAMPLES[0])
    assert told is not None
    assert whole is not None
    assert whole.to_json() == SESSION | {"minutes": Decimal("12.5"), "spo2": Decimal(97)}
    assert (told.technique, told.regimen, told.recorded_by) == ("opep", "opep-well", "diary")
    assert (str(told.minutes), told.cycles, told.sets) == ("12.5", 6, 2)
    assert (told.start.isoformat(), told.clock) == (SESSION["start"], "corrected")


@laws
@given(sessions(), st.sampled_from([None, LINK]))
def test_whatever_is_seen_of_a_session_is_so(session: Session, link: RegimenLink | None) -> None:
    observation = read_back(write(observed(session, link)))
    found = seen(observation)
    assert_same(found, long_way(observation))
    assert None not in found or b"\\" in write(observation)


@settings(laws, max_examples=3000)
@given(edited(EXAMPLES))
def test_nothing_is_seen_in_what_the_long_way_reads_otherwise(observation: Any) -> None:
    """A resource that the standard's own types do not let in is no Observation, and no matter."""
    found = seen(observation)
    if found != (None, None):
        observation = read_back(write(observation))
        try:
            session = long_way(observation)
        except (AttributeError, TypeError):
            return
        assert_same(found, session)


@pytest.mark.parametrize(
    "more",
    [
        {
            "subject": {
                "reference": "Patient/p2",
                "identifier": EXAMPLES[0]["subject"]["identifier"],
            }
        },
        {"subject": {"reference": PATIENT}},
        {"code": {"coding": [{"system": "http://loinc.org", "code": "59408-5"}]}},
        {"modifierExtension": [{"url": "https://elsewhere.example/not", "valueBoolean": True}]},
        {"basedOn": [{"reference": "ServiceRequest/r1", "display": "evening"}]},
        {"effectivePeriod": {"start": "2031-05-03"}},
        {"component": EXAMPLES[0]["component"] + EXAMPLES[0]["component"][:1]},
    ],
)
def test_where_it_is_not_certain_the_long_way_is_gone(more: JsonObject) -> None:
    assert None not in seen(EXAMPLES[0])
    assert seen(EXAMPLES[0] | more) == (None, None)


def test_no_row_of_the_table_is_overlooked() -> None:
    """Rows that are read, by the element of the Observation in which they begin."""
    rows = tables()["session"].group.nodes
    begin = {node.steps[0].name for node in rows if node.reading}
    names = {"effectivePeriod", "issued", "subject", "method", "component", "extension"}
    assert begin == names


def test_texts_are_forgotten_before_there_are_too_many(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(glance, "_MOST_KEPT", 3)
    kept = glance._Kept(lambda element: element["value"])
    found = [kept[b'{"value":%d}' % number] for number in (1, 2, 3, 4, 1)]
    assert (found, len(kept)) == ([1, 2, 3, 4, 1], 2)
