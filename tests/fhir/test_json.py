"""FHIR JSON: R4 json.html and datatypes.html (decimal precision), RFC 8259."""

import json as reference
from contextlib import suppress
from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.fhir import json

texts = st.text(st.characters(exclude_categories=["Cs"]))
numbers = st.integers(-(2**63), 2**64 - 1) | st.decimals(
    allow_nan=False, allow_infinity=False, min_value=-(10**40), max_value=10**40
)
leaves = st.none() | st.booleans() | numbers | texts
values = st.recursive(
    leaves, lambda inner: st.lists(inner) | st.dictionaries(texts, inner), max_leaves=30
)


def same(left: object, right: object) -> bool:
    """Equal in value and in digits: 1.50 differs from 1.5."""
    if isinstance(left, dict) and isinstance(right, dict):
        return list(left) == list(right) and all(same(left[k], right[k]) for k in left)
    if isinstance(left, list) and isinstance(right, list):
        return len(left) == len(right) and all(map(same, left, right))
    if isinstance(left, bool) or isinstance(right, bool):
        return left is right
    return str(left) == str(right)


@given(values)
def test_what_is_written_reads_back_value_for_value(value: object) -> None:
    assert same(json.read(json.write(value)), value)


@given(values)
def test_what_is_kept_reads_back_as_it_was_read(value: object) -> None:
    kept = json.write(value)
    assert same(json.read_back(kept), json.read(kept))


@given(st.binary(max_size=60) | st.text('{}[]",:0123456789.eE+-\\utrfn ab\n', max_size=40))
def test_whatever_is_taken_reads_back_alike(data: bytes | str) -> None:
    text = data.encode("utf-8", "surrogatepass") if isinstance(data, str) else data
    for told in (text, b'{"a":' + text + b"}", b'{"a":[' + text + b"]}"):
        with suppress(json.JsonError):
            read = json.read(told)
            assert same(json.read_back(told), read)


@pytest.mark.parametrize("form", ["%s", '{"a":%s}', '{"a": %s}', '{"a":[1,%s]}', '{"a":[\n%s]}'])
@pytest.mark.parametrize(
    "number",
    [
        "-0", "-0.0", "0e0", "1.50", "1E5", "1e999", "-7", "9223372036854775807",
        "-9223372036854775808", "-9223372036854775809", "18446744073709551615",
        "18446744073709551616", "1" + 100 * "0",
    ],
)  # fmt: skip
def test_odd_numbers_read_back_alike(form: str, number: str) -> None:
    text = (form % number).encode()
    read, kept = json.read(text), json.read_back(text)
    assert same(kept, read)
    assert repr(kept) == repr(read)


def test_a_byte_order_mark_is_left_out_of_what_was_kept() -> None:
    assert json.read_back(b'\xef\xbb\xbf{"a":1}') == {"a": 1}


@given(values)
def test_reads_what_the_standard_library_writes(value: object) -> None:
    text = reference.dumps(value, default=str)
    assert json.read(text) == reference.loads(text, parse_float=Decimal)


@pytest.mark.parametrize(
    "literal",
    ["12.50", "0.10", "0", "-0.0", "1.2E+2", "1E-7", "100000000000000000000", "1E+999", "0.000"],
)
def test_a_number_comes_back_with_its_digits(literal: str) -> None:
    assert json.write(json.read(f'{{"value":{literal}}}')) == f'{{"value":{literal}}}'.encode()


def test_a_huge_exponent_stays_an_exact_decimal() -> None:
    assert json.read("1e999") == Decimal("1e999")
    assert b"Infinity" not in json.write(json.read("[1e999]"))


@pytest.mark.parametrize(
    ("text", "line", "column", "path", "words"),
    [
        ('{"a":1,\n "a":2}', 2, 2, "a", "repeated"),
        ('{"resourceType":"Patient","name":[{},{"family":"x","family":"y"}]}', 1, 52,
         "Patient.name[1].family", "repeated"),
        ('{"a":"b","\\u0061":1}', 1, 10, "a", "repeated"),
        ('{"value": NaN}', 1, 11, "value", "NaN"),
        ('{"value": -Infinity}', 1, 11, "value", "Infinity"),
        ('{"value":.5}', 1, 10, "", "not JSON"),
        ('{"value":01}', 1, 11, "", "not JSON"),
        ('{"resourceType":"Observation", cut off', 1, 32, "", "not JSON"),
        ("", 1, 1, "", "not JSON"),
        ('{"a":1} {"b":2}', 1, 9, "", "not JSON"),
        ("[1, " + "9" * 5000 + "]", 1, 5, "[1]", "characters"),
        ("[0." + "9" * 5000 + "]", 1, 2, "[0]", "characters"),
        ("[1e99999999]", 1, 2, "[0]", "power"),
        ("[1e99999999999999999999999]", 1, 2, "[0]", "range"),
        ('["\\ud800"]', 1, 2, "[0]", "surrogate"),
        ('["\\ude00\\ud83d"]', 1, 2, "[0]", "surrogate"),
        ('{"a":"line\nbreak"}', 1, 11, "", "not JSON"),
    ],
)  # fmt: skip
def test_refused_at_its_place(text: str, line: int, column: int, path: str, words: str) -> None:
    with pytest.raises(json.JsonError) as caught:
        json.read(text.encode())
    error = caught.value
    assert (error.line, error.column, error.path) == (line, column, path)
    assert words in error.message


def test_a_surrogate_pair_is_one_character() -> None:
    assert json.read(b'["\\ud83d\\ude00"]') == ["\U0001f600"]


@pytest.mark.parametrize("opening", ["[", '{"a":', '{"a":[', "[[{}],"])
def test_nesting_is_bounded(opening: str) -> None:
    for times in (100, 3_000, 100_000):
        with pytest.raises(json.JsonError) as caught:
            json.read(opening * times)
        assert caught.value.code in {"too-costly", "structure"}


def test_nesting_up_to_the_limit_is_read() -> None:
    depth = json.MAX_DEPTH
    assert json.read("[" * depth + "]" * depth) is not None
    with pytest.raises(json.JsonError, match="nested deeper than 64"):
        json.read("[" * (depth + 1) + "]" * (depth + 1))


def test_size_is_bounded() -> None:
    with pytest.raises(json.JsonError) as caught:
        json.read(b'"' + b"x" * 100 + b'"', max_bytes=100)
    assert caught.value.code == "too-long"


def test_text_that_is_not_utf8() -> None:
    with pytest.raises(json.JsonError) as caught:
        json.read(b'{"a":\n"\xff"}')
    assert (caught.value.line, caught.value.column) == (2, 2)


def test_a_byte_order_mark_is_ignored() -> None:
    assert json.read(b"\xef\xbb\xbf[]") == []


@given(st.binary(max_size=60) | st.text('{}[]",:0123456789.eE+-\\utrfn ab\n', max_size=40))
def test_any_input_is_read_or_refused_with_a_json_error(data: bytes | str) -> None:
    with suppress(json.JsonError):
        json.read(data)


@pytest.mark.parametrize("value", [Decimal("NaN"), Decimal("Infinity"), object(), {1: 2}])
def test_what_json_cannot_hold_is_not_written(value: object) -> None:
    with pytest.raises(TypeError):
        json.write([value])
