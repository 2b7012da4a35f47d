"""However odd a row is, it ends as a row: accepted, duplicate, amended or refused with a reason."""

from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from service.clinic import clinic_module
from service.fhir.json import write
from service.mapping.feed_lines import lines_of
from service.mapping.feeds import CsvRows, JsonLines, rows_of
from service.programme.log import HealthState, Pause, Session
from service.record import Actor, Record
from service.record.load import column_maps
from service.record.programmes import Programmes
from service.record.sessions import Upload

DESK = Actor("The clinic's desk")
PROGRAMME = clinic_module().invent().programmes[0].document
CHILD = PROGRAMME["child"]["identifier"][0]
ODD = HealthCheck.function_scoped_fixture

FIELDS = sorted(
    {
        field.alias or name
        for model in (Session, HealthState, Pause)
        for name, field in model.model_fields.items()
    }
    | {"kind", "nonsense"}
)
SAMPLES = st.sampled_from(
    [
        "2026-02-01T07:00:00Z",
        "0001-01-01T00:00:00+14:00",
        "9999-12-31T23:59:59-12:00",
        "2026-02-01",
        "opep",
        "complete",
        "unwell",
        "session",
        "health-state",
        "pause",
        {"system": "https://clinic.example/id/child", "value": "C-01"},
        {"system": "", "value": ""},
    ]
)
VALUES = st.recursive(
    SAMPLES
    | st.none()
    | st.booleans()
    | st.integers(-(2**63), 2**63)
    | st.floats(allow_nan=False, allow_infinity=False)
    | st.text(st.characters(exclude_categories=["Cs"]), max_size=12),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=5), inner),
    max_leaves=5,
)
GOOD = {
    "source": "family-app",
    "child": CHILD,
    "technique": "opep",
    "start": "2026-02-01T07:00:00Z",
    "recordedBy": "diary",
    "outcome": "complete",
}


@pytest.fixture
def upload(record: Record, clock: Any) -> Upload:
    Programmes(record, clock).post(PROGRAMME, DESK)
    return Upload(record, DESK, received=clock(), device_clock=clock.now.replace(year=1999))


@settings(max_examples=150, deadline=None, suppress_health_check=[ODD])
@given(changed=st.dictionaries(st.sampled_from(FIELDS), VALUES, max_size=4))
def test_a_document_with_odd_fields(upload: Upload, changed: dict[str, Any]) -> None:
    data = write(GOOD | changed)
    (answer,) = upload.take(rows_of(JsonLines(), lines_of([data])))
    assert (answer.status == "refused") == (answer.reference is None)
    assert answer.reference or answer.findings
    write(answer.to_json())


@settings(max_examples=150, deadline=None, suppress_health_check=[ODD])
@given(lines=st.lists(st.binary(max_size=60) | st.text(max_size=40).map(str.encode), max_size=4))
def test_bytes_of_any_kind(upload: Upload, lines: list[bytes]) -> None:
    header = b",".join(sorted(name.encode() for name in HEADER)) + b"\n"
    for feed, data in (
        (JsonLines(), b"\n".join(lines)),
        (CsvRows(column_maps()["phone-diary"]), header + b"\n".join(lines)),
    ):
        answers = list(upload.take(rows_of(feed, lines_of([data]))))
        assert {answer.status for answer in answers} <= {"refused"}
        assert all(answer.findings for answer in answers)


HEADER = {f'"{name}"' for name in column_maps()["phone-diary"].columns}
