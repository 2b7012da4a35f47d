"""Tables read by one walk: the same as row by row, path by path."""

from collections.abc import Iterator
from typing import Any

from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from mapping_helpers import Json, ids, stored, through_text
from strategies import programmes, sessions

from service.fhir.json import JsonObject
from service.mapping.converters import Context
from service.mapping.logs import session_to_observation
from service.mapping.path import find_at
from service.mapping.programme import to_resources
from service.mapping.table import Each, Group
from service.mapping.tables import tables
from service.programme.log import Session
from service.programme.plan import Programme

laws = settings(max_examples=60, deadline=None, suppress_health_check=list(HealthCheck))
PARTS = {"ServiceRequest": "regimen", "DeviceRequest": "device", "CarePlan": "careplan"}


def row_by_row(group: Group, element: Any) -> Any:
    """What ``Group.read`` promises, looked up path by path."""
    document: JsonObject = {}
    for node in group.nodes:
        found = find_at(element, node.steps)
        if node.reading is None or found is None:
            continue
        value = items_of(node, found) if isinstance(node, Each) else node.reading(found, Context())
        if value in (None, [], {}):
            continue
        if not node.names:
            return value
        inner = document
        for name in node.names[:-1]:
            inner = inner.setdefault(name, {})
        inner[node.names[-1]] = value
    return document


def items_of(each: Each, container: Any) -> list[Any]:
    items = [
        row_by_row(each.items, container[each.step.name][at])
        for at in each.step.positions(container)
    ]
    return [item for item in items if item not in (None, {})]


def check(part: str, resource: Json) -> None:
    group = tables()[part].group
    assert group.read(resource, Context()) == row_by_row(group, resource)


@laws
@given(sessions(), st.data())
def test_a_session_reads_as_row_by_row(session: Session, data: st.DataObject) -> None:
    observation = through_text(session_to_observation(session, subject="Patient/p1", id="o1"))
    check("session", observation)
    check("session", changed(observation, data))


@laws
@given(programmes(), st.data())
def test_a_programme_reads_as_row_by_row(programme: Programme, data: st.DataObject) -> None:
    for resource in stored(to_resources(programme, ids=ids)).values():
        if part := PARTS.get(resource["resourceType"]):
            check(part, resource)
            check(part, changed(resource, data))


def test_the_first_repetition_of_a_slice_counts_and_one_may_be_of_two() -> None:
    system = "https://airway-programmes.example/fhir/CodeSystem/airway-session-part"
    both = [{"system": system, "code": "cycles"}, {"system": system, "code": "huffs"}]
    components = [
        {"code": {"text": "no coding"}, "valueInteger": 1},
        {"code": {"coding": both}, "valueInteger": 2},
        {"code": {"coding": both[:1]}, "valueInteger": 3},
        {"code": {"coding": [{"system": 4, "code": ["sets"]}]}, "valueInteger": 4},
    ]
    observation = {"component": components, "effectivePeriod": ["neither", "an", "object"]}
    assert tables()["session"].read(observation, Context()) == {"cycles": 2, "huffs": 2}


def changed(resource: Json, data: st.DataObject) -> Json:
    """Some members gone or said otherwise, repetitions twice, in another order or of no use."""
    again = through_text(resource)
    for _ in range(data.draw(st.integers(1, 6))):
        holder, name = data.draw(st.sampled_from([*places(again)]))
        value = holder[name]
        if not isinstance(value, list):
            holder[name] = "other"
            if not isinstance(value, str) or data.draw(st.booleans()):
                del holder[name]
        elif name == "given":
            value.reverse()
        else:
            items = [*value, *through_text({"again": value})["again"]]
            holder[name] = data.draw(st.permutations(items))[: data.draw(st.integers(0, 6))]
    return again


def places(value: Any) -> Iterator[tuple[Json, str]]:
    if isinstance(value, dict):
        yield from ((value, name) for name in value)
    for part in value.values() if isinstance(value, dict) else value:
        if isinstance(part, dict | list):
            yield from places(part)
