"""Index rows: R4 search.html (token, reference, date, string, quantity, uri)."""

from decimal import Decimal

import pytest
from search_language import found_by as all_rows
from search_language import parameters

from service.api.types import STORED
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


def found_by(resource):
    """The rows but for words, of which ``test_search_texts`` tells."""
    return [row for row in all_rows(resource) if row.parameter != "_content"]


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
    rows = found_by(SESSION)
    start, end = span_of("2031-03-09T22:50:00Z")[0], span_of("2031-03-09T23:10:00Z")[1]
    assert set(rows) >= {
        UriRow("_profile", "https://example.org/StructureDefinition/session"),
        TokenRow("identifier", "https://example.org/session", "77"),
        TokenRow("status", "", "final"),
        TokenRow("status", "http://hl7.org/fhir/observation-status", "final"),
        TokenRow("category", "urn:category", "therapy"),
        TokenRow("code", "", "session"),
        TokenRow("component-code", "", "spo2"),
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
    rows = found_by(
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
    rows = found_by({"resourceType": "CarePlan", "period": period})
    assert rows == [DateRow("date", low, high)]


def test_a_schedule_spans_its_events_and_bounds() -> None:
    timing = {
        "event": ["2031-03-09"],
        "repeat": {"boundsPeriod": {"start": "2031-03-01", "end": "2031-03-05"}},
    }
    rows = found_by({"resourceType": "ServiceRequest", "occurrenceTiming": timing})
    assert rows == [DateRow("occurrence", span_of("2031-03-01")[0], span_of("2031-03-09")[1])]
    bare = {"repeat": {"frequency": 2, "period": 1, "periodUnit": "d"}}
    assert found_by({"resourceType": "ServiceRequest", "occurrenceTiming": bare}) == []


def test_an_extension_alone_is_no_value() -> None:
    reason = {"extension": [{"url": "http://hl7.org/fhir/StructureDefinition/data-absent-reason"}]}
    assert found_by({"resourceType": "Observation", "_effectiveDateTime": reason}) == []


def test_names_are_found_without_case_and_accents() -> None:
    rows = found_by({"resourceType": "Patient", "name": [{"family": "Ångström", "given": ["Zoë"]}]})
    assert StringRow("name", "Ångström", "angstrom") in rows
    assert StringRow("given", "Zoë", "zoe") in rows


def test_a_phone_is_no_email() -> None:
    rows = found_by(
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
    rows = found_by({"resourceType": "MeasureReport", "measure": "https://example.org/Measure/x|2"})
    assert set(rows) == {
        ReferenceRow("measure", "", "https://example.org/Measure/x|2"),
        ReferenceRow("measure", "", "https://example.org/Measure/x"),
    }


def test_a_comparator_opens_the_amount() -> None:
    rows = found_by(
        {"resourceType": "Observation", "valueQuantity": {"value": 5, "comparator": "<"}}
    )
    row = next(r for r in rows if isinstance(r, QuantityRow))
    assert row.low < -(10**100)
    assert row.high == 5


TABLE: list[tuple[str, dict[str, object], set[object]]] = [
    (
        "a bare code is of the system that its element is bound to",
        {"resourceType": "Patient", "gender": "female"},
        {
            TokenRow("deceased", "", "false"),
            TokenRow("gender", "", "female"),
            TokenRow("gender", "http://hl7.org/fhir/administrative-gender", "female"),
        },
    ),
    (
        "a date of death says that the child died, and when",
        {"resourceType": "Patient", "deceasedDateTime": "2031-03-09"},
        {TokenRow("deceased", "", "true"), DateRow("death-date", *span_of("2031-03-09"))},
    ),
    (
        "false is not deceased, and not missing either",
        {"resourceType": "Patient", "deceasedBoolean": False, "active": False},
        {TokenRow("deceased", "", "false"), TokenRow("active", "", "false")},
    ),
    (
        "an identifier by its type, as the same with a different one is somebody else",
        {
            "resourceType": "Patient",
            "identifier": [
                {
                    "system": "urn:s",
                    "value": "7",
                    "type": {"coding": [{"system": "urn:t", "code": "MR"}], "text": "Record"},
                }
            ],
        },
        {
            TokenRow("deceased", "", "false"),
            TokenRow("identifier", "urn:s", "7"),
            TokenRow("identifier:of-type", "urn:t", "MR|7"),
            StringRow("identifier:text", "Record", "record"),
        },
    ),
    (
        "a concept by what people read",
        {
            "resourceType": "Condition",
            "code": {"coding": [{"code": "a", "display": "Café"}], "text": "Careful"},
        },
        {
            TokenRow("code", "", "a"),
            StringRow("code:text", "Café", "cafe"),
            StringRow("code:text", "Careful", "careful"),
        },
    ),
    (
        "labels, sources and profiles",
        {
            "resourceType": "Flag",
            "meta": {
                "tag": [{"system": "urn:t", "code": "a"}],
                "security": [{"system": "urn:s", "code": "R"}],
                "source": "urn:feed",
                "profile": ["urn:p|1"],
            },
        },
        {
            TokenRow("_tag", "urn:t", "a"),
            TokenRow("_security", "urn:s", "R"),
            UriRow("_source", "urn:feed"),
            UriRow("_profile", "urn:p|1"),
            UriRow("_profile", "urn:p"),
        },
    ),
    (
        "what an address is made of",
        {"resourceType": "Patient", "address": [{"line": ["1 Quay"], "city": "Haven"}]},
        {
            TokenRow("deceased", "", "false"),
            StringRow("address", "1 Quay", "1 quay"),
            StringRow("address", "Haven", "haven"),
            StringRow("address-city", "Haven", "haven"),
        },
    ),
]


@pytest.mark.parametrize(
    ("resource", "rows"), [row[1:] for row in TABLE], ids=[t for t, *_ in TABLE]
)
def test_rows(resource: dict[str, object], rows: set[object]) -> None:
    assert set(found_by(resource)) == rows


def test_every_type_has_what_all_have() -> None:
    common = {"_id", "_lastUpdated", "_profile", "_security", "_source", "_tag"}
    for type_ in STORED:
        assert common <= parameters().of_type(type_).keys(), type_
        assert found_by({"resourceType": type_}) == (
            # It says that nobody is dead of whom nothing is said.
            [TokenRow("deceased", "", "false")] if type_ == "Patient" else []
        )
    assert parameters().of_type("Appointment") == {}


def test_an_id_inside_and_a_reference_within_the_resource_are_not_found() -> None:
    rows = found_by(
        {
            "resourceType": "Observation",
            "contained": [{"resourceType": "Patient", "id": "p", "gender": "male"}],
            "subject": {"reference": "#p"},
        }
    )
    assert rows == []
