"""The UCUM grammar, against the codes that R4 itself lists and the examples of another parser.

Sources: the enumerated UCUM codes of R4's value sets (ucum-common and others, in the committed
tables); The Unified Code for Units of Measure, sections 2.1 to 2.4, for what is no code.
"""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.fhir.r4 import tables
from service.fhir.ucum.grammar import is_ucum, is_unit
from service.fhir.units import UCUM, ucum_fault


def listed() -> set[str]:
    return {code for systems in tables.value_sets().values() for code in systems.get(UCUM) or ()}


def test_the_codes_that_r4_lists_are_codes() -> None:
    assert len(listed()) > 1000
    assert {code for code in listed() if not is_ucum(code)} == set()


@pytest.mark.parametrize(
    "code",
    ["cm[H2O]", "Hz", "mL", "%", "min", "s", "/min", "1", "10*-6.[arb'U]", "mL/(8.h)", "kg/m2",
     "{session}/d", "m/s2{upwards}", "((m))", "[in_i'H2O]", "B[SPL]", "10^3", "dar", "100"],
)  # fmt: skip
def test_codes(code: str) -> None:
    assert ucum_fault(code) is None


@pytest.mark.parametrize(
    ("code", "expected"),
    [("cmH2O", '"cm[H2O]"'), ("HZ", '"Hz"'), ("minutes", '"min"'), ("bpm", '"/min"'),
     ("m l", "without blanks"), ("{", "in pairs"), ("Kg", "a code of UCUM"), ("(m", "a code"),
     ("m)", "a code"), ("m.", "a code"), ("m2+", "a code"), ("d[x]", "a code"), ("", "blanks"),
     ("/", "a code"), ("mmin_j", "a code"), ("(" * 100_000, "a code"), ("µm", "blanks")],
)  # fmt: skip
def test_what_is_no_code(code: str, expected: str) -> None:
    assert expected in str(ucum_fault(code))


UNITS = st.sampled_from(["m", "kg", "mL", "[degF]", "10*3", "mm[Hg]", "{x}", "7"])


@given(st.recursive(
    UNITS,
    lambda inner: st.tuples(inner, st.sampled_from("./"), inner).map("".join)
    | inner.map(lambda code: f"({code})"),
    max_leaves=6,
))  # fmt: skip
def test_products_and_quotients_of_codes_are_codes(code: str) -> None:
    assert is_ucum(code)
    assert not is_ucum(code + ".")


@given(st.text(max_size=12))
def test_any_text_is_judged(text: str) -> None:
    assert is_ucum(text) in {True, False}


def test_prefixes_go_with_metric_units_only() -> None:
    assert is_unit("kPa")
    assert is_unit("dag")
    assert not is_unit("kmin")
    assert not is_unit("k[in_i]")
