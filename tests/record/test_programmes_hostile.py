"""No document, whatever it holds, leads to anything but an answer of the record."""

from contextlib import suppress
from copy import deepcopy
from typing import Any

from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from programme_documents import CHILDREN, programme
from record_samples import AUTHOR

from service.fhir.json import write
from service.record import Create, Record
from service.record.errors import RecordError
from service.record.programmes import Programmes

anything = st.recursive(
    st.none()
    | st.booleans()
    | st.integers(-5, 5)
    | st.sampled_from(["", " ", "x", "2031-03-09", "Patient/p7", "Condition/c1", "opep"]),
    lambda inner: (
        st.lists(inner, max_size=2)
        | st.dictionaries(
            st.sampled_from(["reference", "identifier", "system", "value", "name", "text", "key"]),
            inner,
            max_size=3,
        )
    ),
    max_leaves=6,
)


def places(value: Any, path: tuple[Any, ...] = ()) -> list[tuple[Any, ...]]:
    """Every place in a JSON value."""
    parts = value.items() if isinstance(value, dict) else enumerate(value)
    inner = [
        place
        for name, part in parts
        if isinstance(part, dict | list)
        for place in places(part, (*path, name))
    ]
    names = list(value) if isinstance(value, dict) else list(range(len(value)))
    return [*inner, *((*path, name) for name in names)]


PLACES = places(programme())


@settings(
    max_examples=120, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(st.lists(st.tuples(st.sampled_from(PLACES), anything), min_size=1, max_size=3))
def test_a_spoilt_document_is_filed_or_refused_and_nothing_else(
    record: Record, clock: Any, spoilt: list[tuple[tuple[Any, ...], Any]]
) -> None:
    if not record.total(AUTHOR, "Patient"):
        patient = {"resourceType": "Patient", "identifier": [{"system": CHILDREN, "value": "9"}]}
        condition = {"resourceType": "Condition", "subject": {"reference": "Patient/p7"}}
        record.write([Create(patient, id="p7"), Create(condition, id="c1")], AUTHOR)
    document = deepcopy(programme(id=None))
    for path, value in spoilt:
        _put(document, path, value)
    jobs = Programmes(record, clock)
    before = record.total(AUTHOR, "CarePlan")
    try:
        filed = jobs.post(document, AUTHOR)
    except RecordError:
        assert record.total(AUTHOR, "CarePlan") == before
        return
    again = jobs.get(str(filed.opened.programme.id), AUTHOR)
    assert write(again.programme.to_json()) == write(filed.opened.programme.to_json())


def _put(document: Any, path: tuple[Any, ...], value: Any) -> None:
    """Where an earlier change took the place away there is nothing to do."""
    with suppress(KeyError, IndexError, TypeError):
        for name in path[:-1]:
            document = document[name]
        document[path[-1]] = value
