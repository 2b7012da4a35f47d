"""Index rows: R4 search.html (token, reference, date, string, quantity, uri)."""

from decimal import Decimal

import pytest

from service.fhir.search.parameters import PARAMETERS, index_values, parameters_of
from service.fhir.search.terms import (
    BEGINNING,
    END,
    DateRow,
    QuantityRow,
    ReferenceRow,
    StringRow,
    TokenRow,
    UriRow,
)
from service.fhir.spans import span_of
from service.fhir.structure import type_facts

SESSION = {
    "resourceType": "Observation",
    "id": "s1",
    "meta": {"profile": ["https://example.org/StructureDefinition/session"]},
    "identifier": [{"system": "https://example.org/session", "value": "77"}],
    "status": "final",
    "category": [{"coding": [{"system": "urn:category", "code": "therapy"}]}, {"text": "home"}],
    "code": {"coding": [{"code": "session"}]},
    "subject": {
        "reference": "Patient/p1",
        "identifier": {"system": "https://example.org/child", "value": "c-1"},
    },
    "basedOn": [{"reference": "ServiceRequest/r1/_history/2"}, {"reference": "urn:uuid:1"}],
    "effectivePeriod": {"start": "2031-03-09T23:50:00+01:00", "end": "2031-03-10T00:10:00+01:00"},
    "component": [
        {
            "code": {"coding": [{"code": "spo2"}]},
            "valueQuantity": {"value": Decimal("94.0"), "system": "urn:ucum", "code": "%"},
        },
    ],
}


def test_rows_of_a_session() -> None:
    rows = index_values(SESSION)
    start, end = span_of("2031-03-09T22:50:00Z")[0], span_of("2031-03-09T23:10:00Z")[1]
    assert set(rows) >= {
        UriRow("_profile", "https://example.org/StructureDefinition/session"),
        TokenRow("identifier", "https://example.org/session", "77"),
        TokenRow("status", "", "final"),
        TokenRow("category", "urn:category", "therapy"),
        TokenRow("code", "", "session"),
        TokenRow("combo-code", "", "spo2"),
        ReferenceRow("subject", "Patient", "p1"),
        ReferenceRow("patient", "Patient", "p1"),
        TokenRow("subject:identifier", "https://example.org/child", "c-1"),
        ReferenceRow("based-on", "ServiceRequest", "r1"),
        ReferenceRow("based-on", "", "urn:uuid:1"),
        DateRow("date", start, end),
        QuantityRow("component-value-quantity", Decimal("94.0"), Decimal("94.0"), "urn:ucum", "%"),
    }
    assert len(rows) == len(set(rows))
    assert not [row for row in rows if row.parameter in {"_id", "_lastUpdated"}]


def test_only_the_type_a_parameter_is_for_is_indexed() -> None:
    rows = index_values(
        {
            "resourceType": "Provenance",
            "target": [{"reference": "CarePlan/c"}, {"reference": "Patient/p"}],
        }
    )
    assert [r for r in rows if r.parameter == "patient"] == [
        ReferenceRow("patient", "Patient", "p")
    ]
    assert len([r for r in rows if r.parameter == "target"]) == 2


@pytest.mark.parametrize(
    ("period", "low", "high"),
    [
        ({"start": "2031-03"}, span_of("2031-03")[0], END),
        ({"end": "2031"}, BEGINNING, span_of("2031")[1]),
    ],
)
def test_an_open_period_has_no_end(period: dict[str, str], low: int, high: int) -> None:
    rows = index_values({"resourceType": "CarePlan", "period": period})
    assert rows == [DateRow("date", low, high)]


def test_a_schedule_spans_its_events_and_bounds() -> None:
    timing = {
        "event": ["2031-03-09"],
        "repeat": {"boundsPeriod": {"start": "2031-03-01", "end": "2031-03-05"}},
    }
    rows = index_values({"resourceType": "ServiceRequest", "occurrenceTiming": timing})
    assert rows == [DateRow("occurrence", span_of("2031-03-01")[0], span_of("2031-03-09")[1])]
    bare = {"repeat": {"frequency": 2, "period": 1, "periodUnit": "d"}}
    assert index_values({"resourceType": "ServiceRequest", "occurrenceTiming": bare}) == []


def test_an_extension_alone_is_no_value() -> None:
    reason = {"extension": [{"url": "http://hl7.org/fhir/StructureDefinition/data-absent-reason"}]}
    assert index_values({"resourceType": "Observation", "_effectiveDateTime": reason}) == []


def test_names_are_found_without_case_and_accents() -> None:
    rows = index_values(
        {"resourceType": "Patient", "name": [{"family": "Ångström", "given": ["Zoë"]}]}
    )
    assert StringRow("name", "Ångström", "angstrom") in rows
    assert StringRow("given", "Zoë", "zoe") in rows


def test_a_phone_is_no_email() -> None:
    rows = index_values(
        {
            "resourceType": "Patient",
            "telecom": [
                {"system": "phone", "value": "1"},
                {"system": "email", "value": "a@example.org"},
            ],
        }
    )
    assert TokenRow("phone", "", "1") in rows
    assert TokenRow("email", "", "a@example.org") in rows
    assert TokenRow("email", "", "1") not in rows


def test_a_canonical_is_found_with_and_without_its_version() -> None:
    rows = index_values(
        {"resourceType": "MeasureReport", "measure": "https://example.org/Measure/x|2"}
    )
    assert set(rows) == {
        ReferenceRow("measure", "", "https://example.org/Measure/x|2"),
        ReferenceRow("measure", "", "https://example.org/Measure/x"),
    }


def test_a_comparator_opens_the_amount() -> None:
    rows = index_values(
        {"resourceType": "Observation", "valueQuantity": {"value": 5, "comparator": "<"}}
    )
    row = next(r for r in rows if isinstance(r, QuantityRow))
    assert row.low < -(10**100)
    assert row.high == 5


def test_every_declared_path_exists() -> None:
    for kind, parameters in PARAMETERS.items():
        facts = type_facts(kind)
        assert facts is not None
        assert facts.is_resource
        index_values({"resourceType": kind})
        assert {"_id", "_lastUpdated"} <= parameters.keys()


def test_other_types_have_what_all_have() -> None:
    assert set(parameters_of("Basic")) == {"_id", "_lastUpdated", "_profile", "_tag"}
