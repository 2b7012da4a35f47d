"""Whatever is sent as a patch is applied or refused; nothing else happens, and not for long."""

from contextlib import suppress
from time import perf_counter

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.fhir.json import write
from service.fhir.patch import FhirPathPatch, JsonPatch, PatchError
from service.fhir.type_model import R4

OBSERVATION = {
    "resourceType": "Observation",
    "id": "o",
    "status": "final",
    "_status": {"id": "s"},
    "code": {"text": "x", "coding": [{"code": "a"}, {"code": "b"}]},
    "note": [{"text": "n"}],
    "component": [{"code": {"text": "a"}, "valueString": "x", "_valueString": {"id": "v"}}],
    "contained": [{"resourceType": "Patient", "id": "p", "name": [{"given": ["A", "B"]}]}],
}
JSON = st.recursive(
    st.none() | st.booleans() | st.integers(-2, 12) | st.text(max_size=3),
    lambda inner: (
        st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=4), inner, max_size=3)
    ),
    max_leaves=8,
)
POINTERS = st.lists(
    st.sampled_from(
        ["code", "coding", "0", "1", "-", "status", "_status", "component", "note", "", "~1"]
    ),
    max_size=5,
).map(lambda steps: "".join(f"/{step}" for step in steps))
JSON_OPERATIONS = st.fixed_dictionaries(
    {"op": st.sampled_from(["add", "remove", "replace", "move", "copy", "test"]), "path": POINTERS},
    optional={"value": JSON, "from": POINTERS},
)
PATHS = st.sampled_from(
    ["Observation", "Observation.status", "Observation.code.coding", "Observation.component.value",
     "Observation.contained.name.given", "Observation.contained[0].name[0].given[1]",
     "Observation.note[0].text", "Observation.code.coding[1]", "Observation.status.id",
     "Observation.component.value.extension", "Observation.value", "Observation.component.code",
     "status", "'x'", "Observation.note.text.length()", "Observation | Observation.note"]
)  # fmt: skip
TYPED = st.sampled_from(
    ["valueString", "valueInteger", "valueCode", "valueHumanName", "valueQuantity", "_valueString",
     "resource", "part", "valueBoolean"]
)  # fmt: skip
PARTS = st.lists(
    st.one_of(
        st.builds(
            lambda kind: {"name": "type", "valueCode": kind},
            st.sampled_from(["add", "insert", "delete", "replace", "move"]),
        ),
        PATHS.map(lambda path: {"name": "path", "valueString": path}),
        st.builds(
            lambda name: {"name": "name", "valueString": name},
            st.sampled_from(["status", "note", "value", "id", "extension", "contained", "given"]),
        ),
        st.builds(lambda key, value: {"name": "value", key: value}, TYPED, JSON),
        st.builds(
            lambda name, number: {"name": name, "valueInteger": number},
            st.sampled_from(["index", "source", "destination"]),
            st.integers(0, 3),
        ),
    ),
    max_size=6,
    unique_by=lambda part: part["name"],
)


def _try(make, sent):
    before = write(OBSERVATION)
    with suppress(PatchError):
        changed = make(sent)(OBSERVATION)
        assert isinstance(changed, dict)
        write(changed)
    assert write(OBSERVATION) == before


@given(st.lists(JSON_OPERATIONS, max_size=5) | JSON)
def test_any_json_patch(sent):
    _try(JsonPatch, sent)


@given(
    st.lists(PARTS.map(lambda parts: {"name": "operation", "part": parts}) | JSON, max_size=3),
)
def test_any_fhirpath_patch(operations):
    parameters = {"resourceType": "Parameters", "parameter": operations}
    _try(lambda sent: FhirPathPatch(sent, R4), parameters)


@given(JSON)
def test_any_parameters(value):
    _try(lambda sent: FhirPathPatch(sent, R4), {"resourceType": "Parameters", "parameter": value})


@pytest.mark.parametrize(
    "path",
    [
        "Patient.name" + ".where($this.given.where($this.length() > 0).exists())" * 14,
        "Patient.name | " * 60 + "Patient.name",
        "Patient.name.given.where(" + " or ".join(["$this = 'x'"] * 60) + ")",
    ],
)
def test_costly_paths_end_soon(path):
    many = {"resourceType": "Patient", "name": [{"given": ["A", "B"]} for _ in range(500)]}
    parts = [{"name": "type", "valueCode": "delete"}, {"name": "path", "valueString": path}]
    operations = [{"name": "operation", "part": parts}] * 3
    began = perf_counter()
    with suppress(PatchError):
        FhirPathPatch({"resourceType": "Parameters", "parameter": operations}, R4)(many)
    assert perf_counter() - began < 10
