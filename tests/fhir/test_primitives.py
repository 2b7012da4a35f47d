"""Formats of R4's primitive types: datatypes.html, its patterns and notes."""

from datetime import UTC, datetime
from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.fhir.primitives import CHECKS
from service.fhir.units import ucum_fault

GOOD = {
    "base64Binary": ["QQ==", "QUJD\nREVG"],
    "boolean": [True, False],
    "canonical": ["https://example.org/x|1#y"],
    "code": ["a", "in-progress", "two words", "<="],
    "date": ["1987", "1987-04", "1987-04-30", "2024-02-29"],
    "dateTime": ["2031-03-09", "2031-03-09T07:05:00+05:45", "2031-03-09T07:05:00.500Z",
                 "2016-12-31T23:59:60Z", "2031-03-09T07:05:00-14:00"],
    "decimal": [1, Decimal("0.10"), Decimal("1E+999")],
    "id": ["a", "A.b-9" * 12],
    "instant": ["2031-03-09T07:05:00Z", "2016-12-31T23:59:60Z"],
    "integer": [0, -(2**31), 2**31 - 1],
    "markdown": ["# a\n\tb"],
    "oid": ["urn:oid:1.2.3"],
    "positiveInt": [1, 2**31 - 1],
    "string": ["a", " a ", "tab\tand\nline", "é"],
    "time": ["07:05:00", "23:59:60", "07:05:00.5"],
    "unsignedInt": [0],
    "uri": ["urn:x", "../relative"],
    "url": ["mailto:a@example.org"],
    "uuid": ["urn:uuid:c757873d-ec9a-4326-a141-556f43239520"],
}  # fmt: skip
BAD = {
    "base64Binary": ["QQ=", "Q Q=*", "", 1],
    "boolean": ["true", 1, 0, None],
    "canonical": ["with blank", ""],
    "code": ["", " a", "a ", "a  b", "a\n", 1],
    "date": ["87", "1987-4", "1987-13", "1987-04-31", "2031-02-30", "0000", "1987-04-30T00:00:00Z",
             "２０３１"],
    "dateTime": ["2031-03-09T07:05:00", "2031-03-09T07:05Z", "2031-02-30", "2031-03-09T24:00:00Z",
                 "2031-03-09T23:59:61Z", "2031-03-09 07:05:00Z", "2031-03T07:05:00Z", "0000-01-01"],
    "decimal": ["12", 1.5, True, None],
    "id": ["a" * 65, "under_score", ""],
    "instant": ["2031-03-09", "2031-03-09T07:05Z"],
    "integer": [Decimal("3.0"), 2**31, -(2**31) - 1, True, "1", Decimal(10**20)],
    "markdown": ["", 5],
    "oid": ["1.2.3", "urn:oid:9.1"],
    "positiveInt": [0, -1, Decimal("3.0")],
    "string": ["", "bell\x07", "nul\x00", 5, None, ["a"]],
    "time": ["24:00:00", "7:05:00", "07:05", "07:05:00Z"],
    "unsignedInt": [-1],
    "uri": ["", "a b"],
    "url": [""],
    "uuid": ["urn:uuid:C757873D-ec9a-4326-a141-556f43239520"],
}  # fmt: skip


@pytest.mark.parametrize(("kind", "value"), [(k, v) for k, values in GOOD.items() for v in values])
def test_good(kind: str, value: object) -> None:
    assert CHECKS[kind](value) is None


@pytest.mark.parametrize(("kind", "value"), [(k, v) for k, values in BAD.items() for v in values])
def test_bad(kind: str, value: object) -> None:
    assert CHECKS[kind](value)


@given(st.datetimes(datetime(1, 1, 2), timezones=st.just(UTC)))  # noqa: DTZ001
def test_every_moment_that_python_writes_is_an_instant(moment: datetime) -> None:
    assert CHECKS["instant"](moment.isoformat()) is None


@given(
    st.sampled_from(sorted(CHECKS)), st.text(max_size=30) | st.none() | st.floats() | st.integers()
)
def test_every_value_gets_an_answer(kind: str, value: object) -> None:
    assert CHECKS[kind](value) is None or CHECKS[kind](value)


@pytest.mark.parametrize(
    "code",
    ["cm[H2O]", "Hz", "mL", "%", "min", "s", "/min", "{session}/d", "S", "ML", "10*3/uL", "1",
     "l/min", "mm[Hg]", "{beats}/min"],
)  # fmt: skip
def test_ucum_codes_that_are_right_or_cannot_be_judged(code: str) -> None:
    assert ucum_fault(code) is None


@pytest.mark.parametrize(
    "code",
    ["cmH2O", "CM[H2O]", "Min", "MIN", "hz", "minutes", "mmHg", "{session/d", "a b", "", "µL"],
)
def test_ucum_codes_that_are_surely_wrong(code: str) -> None:
    assert ucum_fault(code)
