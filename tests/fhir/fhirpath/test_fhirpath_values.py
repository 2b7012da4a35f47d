"""Numbers, dates and quantities: exact, and honest about what is not known."""

import datetime as dt
from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.fhir.fhirpath import FhirPathError, compile_expression
from service.fhir.fhirpath.temporal import Temporal, compare_temporal, parse_temporal, temporal_key
from service.fhir.fhirpath.units import unit_of
from service.fhir.type_model import R4


def value_of(text, focus=None, type_name="Resource"):
    expression = compile_expression(text, R4)
    items = expression.evaluate(focus, type_name=type_name, resource=focus)
    return [item.value for item in items]


@pytest.mark.parametrize(
    ("text", "answer"),
    [
        ("0.1 + 0.2 = 0.3", [True]),
        ("1.10 = 1.1", [True]),
        ("1.0.toString()", ["1.0"]),
        ("2147483647 + 1", []),
        ("10 / 4", [Decimal("2.5")]),
        ("1 / 3", [Decimal("0.33333333")]),
        ("-7 div 2", [-3]),
        ("-7 mod 2", [-1]),
        ("(2 | 3) = 2", [False]),
        ("{} = 1", []),
        ("1 = true", [False]),
        ("'1' = 1", [False]),
    ],
)
def test_numbers_and_equality(text, answer):
    assert value_of(text) == answer


@pytest.mark.parametrize(
    ("text", "answer"),
    [
        # A year may or may not be before a day inside it.
        ("@2026 < @2026-03-02", []),
        ("@2025 < @2026-03-02", [True]),
        ("@2026-03-02T08 = @2026-03-02T08:00", []),
        # 08:00 in Berlin in winter is 07:00 UTC.
        ("@2026-03-02T08:00:00+01:00 = @2026-03-02T07:00:00Z", [True]),
        # Without an offset it could be anywhere within 26 hours.
        ("@2026-03-02T08:00:00 = @2026-03-02T08:00:00Z", []),
        ("@2026-03-02T08:00:00 < @2026-03-04T08:00:00Z", [True]),
        ("@2024-02-29 + 1 year = @2025-02-28", [True]),
        ("@2026-01-31 + 1 month = @2026-02-28", [True]),
        ("@2026-03-02T23:30:00Z + 45 minutes = @2026-03-03T00:15:00Z", [True]),
        ("@2026-03-02 - 24 hours = @2026-03-01", [True]),
        ("@2026 + 11 months = @2026", [True]),
        ("@2026 + 12 months = @2027", [True]),
        ("@T23:30 + 1 hour = @T00:30", [True]),
        ("@9999-12-31 + 1 day", []),
    ],
)
def test_dates_and_times(text, answer):
    assert value_of(text) == answer


@pytest.mark.parametrize(
    ("text", "answer"),
    [
        ("3 '[lb_av]' = 1360.77711 'g'", [True]),
        ("10 'cm[H2O]' = 0.980665 'kPa'", [True]),
        ("37 'Cel' = 310.15 'K'", [True]),
        ("60 'min' = 1 'h'", [True]),
        ("12 '/min' = 0.2 'Hz'", [True]),
        ("1 'kg' < 1 'm'", []),
        ("1 'kg' = 1 'm'", []),
        ("1 'kg' ~ 1 'm'", [False]),
        ("1 '{puff}' = 1 '{puff}'", [True]),
        ("1 'no-such-unit' = 1 'no-such-unit'", [True]),
        ("1 year = 12 months", [True]),
        ("1 year = 1 'a'", []),
        ("1 year ~ 1 'a'", [True]),
        ("(1 'm' + 1 'cm') = 101 'cm'", [True]),
    ],
)
def test_quantities(text, answer):
    assert value_of(text) == answer


def test_a_quantity_with_a_comparator_has_no_exact_value():
    duration = {"value": 5, "system": "http://unitsofmeasure.org", "code": "s"}
    focus = {"resourceType": "Observation", "valueQuantity": duration}
    assert value_of("value = 5 's'", focus, "Observation") == [True]
    duration["comparator"] = "<"
    assert value_of("value = 5 's'", focus, "Observation") == []


@pytest.mark.parametrize(
    "text", ["1 + 'a'", "@2026-03-02 + 1 'mo'", "1 < 'a'", "-'a'", "(1 | 2) + 1", "@T08 < @2026"]
)
def test_what_has_no_answer_is_an_error(text):
    with pytest.raises(FhirPathError):
        value_of(text)


instants = st.datetimes(
    dt.datetime(1900, 1, 2),  # noqa: DTZ001
    dt.datetime(2100, 1, 1),  # noqa: DTZ001
    timezones=st.sampled_from(
        [dt.timezone(dt.timedelta(minutes=m)) for m in (-720, -210, 0, 60, 345, 840)]
    ),
)


@given(instants, instants)
def test_instants_order_as_the_standard_library_orders_them(one, other):
    mine = [parse_temporal("DateTime", each.isoformat()) for each in (one, other)]
    assert compare_temporal(*mine) == (one > other) - (one < other)
    assert (temporal_key(mine[0]) == temporal_key(mine[1])) == (one == other)


@given(instants)
def test_a_temporal_reads_back_what_it_writes(instant):
    text = instant.isoformat().replace("+00:00", "Z")
    assert str(parse_temporal("DateTime", text)) == text


@given(instants, instants, st.integers(1, 6), st.integers(1, 6))
def test_a_partial_value_never_claims_what_the_whole_denies(one, other, first, second):
    """If two cut values are ordered, so are the values that they were cut from."""
    whole = [parse_temporal("DateTime", each.isoformat()) for each in (one, other)]
    utc = [Temporal("DateTime", _utc_parts(each), 0) for each in (one, other)]
    cut = [
        Temporal(value.kind, value.parts[:length], value.offset)
        for value, length in zip(utc, (first, second), strict=True)
    ]
    answer = compare_temporal(*cut)
    if answer in (-1, 1):
        assert compare_temporal(*whole) == answer


def _utc_parts(instant):
    utc = instant.astimezone(dt.UTC)
    second = utc.second + Decimal(utc.microsecond).scaleb(-6)
    return (utc.year, utc.month, utc.day, utc.hour, utc.minute, second)


@given(st.dates(dt.date(1900, 1, 1), dt.date(2090, 1, 1)), st.integers(-20_000, 3_000))
def test_days_are_added_as_the_standard_library_adds_them(day, count):
    sign = "-" if count < 0 else "+"
    moved = value_of(f"@{day.isoformat()} {sign} {abs(count)} days")
    assert [str(each) for each in moved] == [(day + dt.timedelta(days=count)).isoformat()]


@pytest.mark.filterwarnings("ignore")
@pytest.mark.parametrize(
    ("code", "into"),
    [
        ("cm[H2O]", "Pa"), ("mm[Hg]", "kPa"), ("[lb_av]", "kg"), ("[in_i]", "cm"),
        ("mL/min", "L/h"),
        ("mmol/L", "mol/m3"), ("wk", "d"), ("a", "d"), ("kat", "U"), ("[psi]", "kPa"), ("cal", "J"),
        ("[foz_us]", "mL"), ("[tsp_us]", "mL"), ("[mi_i]", "km"), ("[oz_av]", "g"), ("bar", "Pa"),
        ("ug/kg/h", "ng/g/min"), ("10*3/uL", "10*9/L"), ("Hz", "/min"), ("%", "[ppth]"),
        ("[gal_us]", "L"), ("dyn", "N"), ("erg", "J"), ("P", "Pa.s"), ("atm", "kPa"), ("Ci", "Bq"),
    ],
)  # fmt: skip
def test_unit_factors_agree_with_pint_and_ucumvert(code, into):
    ucumvert = pytest.importorskip("ucumvert")
    registry = _registry(ucumvert)
    have, want = unit_of(code), unit_of(into)
    assert have is not None
    assert want is not None
    assert have.dimension == want.dimension
    expected = registry.from_ucum(code).to(registry.from_ucum(into)).magnitude
    # The two differ in the sixth digit of a millimetre of mercury.
    assert float(have.factor / want.factor) == pytest.approx(float(expected), rel=1e-5)


_registries = []


def _registry(ucumvert):
    if not _registries:
        _registries.append(ucumvert.PintUcumRegistry())
    return _registries[0]
