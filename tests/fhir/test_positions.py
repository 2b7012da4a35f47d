"""Places of elements in JSON text. The oracle is the standard library: ``raw_decode`` at the place
must give the value that the path leads to in the decoded text (RFC 8259)."""

import json
from collections.abc import Iterator
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.fhir.json import JsonError, read
from service.fhir.outcome import Finding, json_finding
from service.fhir.positions import Positions, located

TEXT = """{
  "resourceType": "Observation",
  "status": "final", "code": {"text": "a \\"quoted\\" {[, text"},
  "_issued": {"extension": [{"url": "u", "valueCode": "x"}]},
  "valueQuantity": {"value": 1.50},
  "component": [
    {"valueString": "ü", "_valueString": {"id": "s"}},
    {"code": {"coding": []}}, {"_valueTime": {"id": "t"}}
  ],
  "note": [{"text": "äöü 🫁"}, {"text": "second"}],
  "category": [], "given": ["a", null], "_given": [null, {"id": "g"}, {"id": "h"}]
}
"""


@pytest.mark.parametrize(
    ("expression", "marked"),
    [
        ("Observation", '{\n  "resourceType"'),
        ("", '{\n  "resourceType"'),
        ("resourceType", '"Observation"'),
        ("Observation.status", '"final"'),
        ("status", '"final"'),
        ("Observation.code.text", '"a \\"quoted'),
        ("Observation.note[1].text", '"second"'),
        # a choice of types has its type in the name: R4 json.html#element
        ("Observation.value", '{"value": 1.50}'),
        ("Observation.value.value", "1.50"),
        ("Observation.valueQuantity.value", "1.50"),
        ("Observation.component[0].value", '"ü"'),
        # the id and the extensions of a primitive: R4 json.html#primitive
        ("Observation.issued", '{"extension"'),
        ("Observation.issued.extension[0].value", '"x"'),
        ("Observation.component[0].value.id", '"s"'),
        ("Observation.component[2].value", '{"id": "t"}'),
        ("Observation.given[0]", '"a"'),
        ("Observation.given[1].id", '"g"'),
        ("Observation.given[2]", '{"id": "h"}'),
        # what is not there has the place of what is around it
        ("Observation.subject", '{\n  "resourceType"'),
        ("Observation.stat", '{\n  "resourceType"'),
        ("Observation.code.coding[0].code", '{"text": "a '),
        ("Observation.component[1].code.coding[3]", "[]}"),
        ("Observation.component[7].value", '[\n    {"valueString"'),
        ("Observation.status.extension[0].url", '"final"'),
    ],
)
def test_the_place_of_an_element(expression: str, marked: str) -> None:
    assert TEXT.count(marked) == 1
    before = TEXT[: TEXT.index(marked)].split("\n")
    place = len(before), len(before[-1]) + 1
    assert Positions(TEXT.encode()).of(expression) == place


def test_columns_count_characters_and_a_byte_order_mark_is_none() -> None:
    text = '{"a": "🫁", "b": 1}'
    assert Positions(text.encode()).of("b") == (1, 17)
    assert Positions(b"\xef\xbb\xbf" + text.encode()).of("b") == (1, 17)


def test_lines_end_as_they_do_in_windows_too() -> None:
    assert Positions(b'{\r\n "a":\r\n  1}').of("a") == (3, 3)


def test_names_may_be_written_with_escapes() -> None:
    assert Positions(b'{"\\u0061ctive": 1}').of("Patient.active") == (1, 17)


def test_what_is_said_of_the_request_has_no_place_in_a_text() -> None:
    assert Positions(b'{"http": {"mode": 1}}').of("http.mode") is None


def test_a_bundle_with_many_findings_is_gone_through_once() -> None:
    size = 20_000
    rows = ",\n".join('{"resource":{"resourceType":"Patient","active":1}}' for _ in range(size))
    positions = Positions(f'{{"resourceType":"Bundle","entry":[\n{rows}]}}'.encode())
    found = [positions.of(f"Bundle.entry[{n}].resource.active") for n in range(size)]
    assert found == [(n + 2, 48) for n in range(size)]


def test_findings_get_the_place_and_keep_everything_else() -> None:
    finding = Finding("error", "value", "Patient.active", "found 1", "primitive", "urn:p")
    (placed,) = located([finding], b'{"resourceType":"Patient",\n"active":1}')
    assert (placed.line, placed.column) == (2, 10)
    assert placed == Finding(
        "error", "value", "Patient.active", "found 1", "primitive", "urn:p", 2, 10
    )
    assert located([], b"not even JSON") == []


@pytest.mark.parametrize("text", [b'{"a": 1,\n "a": 2}', b'{"a":\n', b"\xff", b'{"a": [}'])
def test_what_cannot_be_read_keeps_the_place_the_reader_gave(text: bytes) -> None:
    with pytest.raises(JsonError) as caught:
        read(text)
    (finding,) = located([json_finding(caught.value)], text)
    assert (finding.line, finding.column) == (caught.value.line, caught.value.column)


_NAMES = st.from_regex(r"[a-z]{1,6}", fullmatch=True)
_SCALARS = st.none() | st.booleans() | st.integers(-9999, 9999) | st.text(max_size=8)
_VALUES = st.recursive(
    _SCALARS,
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(_NAMES, inner, max_size=4),
    max_leaves=25,
)


def paths(value: Any, path: str = "") -> Iterator[tuple[str, Any]]:
    """Every value in a decoded text with its path."""
    yield path, value
    if isinstance(value, dict):
        for name, inner in value.items():
            yield from paths(inner, f"{path}.{name}".removeprefix("."))
    elif isinstance(value, list):
        for index, inner in enumerate(value):
            yield from paths(inner, f"{path}[{index}]")


@given(
    value=st.dictionaries(_NAMES, _VALUES, max_size=5),
    indent=st.sampled_from([None, 0, 1, 4]),
    escaped=st.booleans(),
)
def test_at_the_place_of_each_path_stands_its_value(
    value: dict[str, Any], indent: int | None, escaped: bool
) -> None:
    text = json.dumps(value, indent=indent, ensure_ascii=escaped)
    positions = Positions(text.encode())
    lines = text.split("\n")
    seen = set()
    for path, expected in paths(value):
        place = positions.of(path)
        assert place is not None
        rest = "\n".join([lines[place[0] - 1][place[1] - 1 :], *lines[place[0] :]])
        found, _ = json.JSONDecoder().raw_decode(rest)
        assert (found, type(found)) == (expected, type(expected)), path
        seen.add(place)
    assert len(seen) == sum(1 for _ in paths(value)), "no two values stand at one place"
