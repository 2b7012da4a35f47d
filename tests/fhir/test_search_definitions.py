"""SearchParameters of R4 and of an operator's: what is served, what is refused and why."""

import pickle
from typing import Any

import pytest
from search_language import NOW

from service.api.types import STORED
from service.fhir.r4.tables import search_parameters
from service.fhir.search.parameters import SearchParameters
from service.fhir.search.query import parse_search
from service.fhir.search.terms import StringRow, TokenRow
from service.fhir.structure import specialises

OWN: dict[str, Any] = {
    "resourceType": "SearchParameter",
    "id": "ward",
    "url": "https://clinic.example/SearchParameter/ward",
    "status": "active",
    "code": "ward",
    "base": ["Patient"],
    "type": "string",
    "expression": "Patient.extension('https://clinic.example/ward').value",
}
WREN = {
    "resourceType": "Patient",
    "extension": [{"url": "https://clinic.example/ward", "valueString": "Quay"}],
}


def served(*own: dict[str, Any]) -> SearchParameters:
    return SearchParameters.of(STORED, own)


def test_an_operators_parameter_is_served() -> None:
    known = served(OWN)
    assert StringRow("ward", "Quay", "quay") in known.index(WREN)
    (asked,) = parse_search(known, "Patient", [("ward:exact", "Quay")], now=NOW).criteria
    assert asked.parameter == "ward"  # type: ignore[union-attr]
    assert OWN in known.resources
    assert known.refused == ()


def test_it_may_be_about_every_type() -> None:
    of_all = {"base": ["Resource"], "code": "written-in", "type": "token"}
    known = served(OWN | of_all | {"expression": "Resource.language"})
    assert {type_ for type_ in STORED if "written-in" not in known.of_type(type_)} == set()
    resource = {"resourceType": "Binary", "language": "fr"}
    assert TokenRow("written-in", "", "fr") in known.index(resource)


def test_a_composite_of_its_own() -> None:
    part = "http://hl7.org/fhir/SearchParameter/"
    known = served(
        OWN
        | {
            "code": "language-preferred",
            "type": "composite",
            "expression": "Patient.contact",
            "component": [
                {"definition": f"{part}individual-gender", "expression": "gender"},
                {"definition": f"{part}individual-family", "expression": "name.family"},
            ],
        }
    )
    assert known.refused == ()
    rows = known.index(
        {
            "resourceType": "Patient",
            "contact": [
                {"gender": "female", "name": {"family": "Wren"}},
                {"gender": "male", "name": {"family": "Tern"}},
            ],
        }
    )
    (asked,) = parse_search(
        known, "Patient", [("language-preferred", "female$wren")], now=NOW
    ).criteria
    of_women = [row for row in rows if row.parameter == asked.parameter]  # type: ignore[union-attr]
    assert [row.text for row in of_women] == ["Wren"]  # type: ignore[union-attr]


@pytest.mark.parametrize(
    ("change", "told"),
    [
        ({"code": "birthdate"}, "Patient has a parameter birthdate already"),
        ({"code": "a b"}, "its code has to be a name"),
        ({"code": "_has:x"}, "its code has to be a name"),
        ({"type": "special"}, 'parameters of type "special" are not served'),
        ({"expression": None}, "it has no expression"),
        ({"expression": "Patient."}, "its expression cannot be read"),
        ({"expression": "Patient.nickname"}, "leads to nothing"),
        ({"expression": "Patient.birthDate"}, "leads to nothing that a string can be"),
        ({"base": ["Pateint"]}, '"Pateint" is no resource type'),
        ({"base": []}, "is no resource type"),
        ({"type": "composite"}, "a composite of two parts is expected"),
        (
            {"type": "composite", "component": [{"definition": "urn:none", "expression": "x"}] * 2},
            "a part that is not known",
        ),
        (
            {
                "type": "composite",
                "component": [
                    {
                        "definition": "http://hl7.org/fhir/SearchParameter/individual-birthdate",
                        "expression": "birthDate",
                    }
                ]
                * 2,
            },
            "first part of a composite has to be a token or a reference",
        ),
    ],
)  # fmt: skip
def test_what_cannot_be_served_is_refused_by_name(change: dict[str, Any], told: str) -> None:
    known = served(OWN | change)
    (refused,) = known.refused
    assert told in refused
    assert OWN["url"] in refused
    assert "ward" not in known.of_type("Patient")
    assert len(known.resources) == len(served().resources)


def test_what_is_none_of_our_business_is_passed_over() -> None:
    known = served(OWN | {"base": ["Claim"], "expression": "Claim.status"},
                   OWN | {"url": "urn:old", "status": "retired"})  # fmt: skip
    assert known.refused == ()
    assert known.digest == served().digest


def test_the_digest_tells_whether_rows_may_be_others() -> None:
    assert served().digest == served().digest
    digests = {
        served().digest,
        served(OWN).digest,
        served(OWN | {"expression": "Patient.name.text"}).digest,
        served(OWN | {"code": "place"}).digest,
    }
    assert len(digests) == 4
    assert served(OWN | {"description": "Where the bed is"}).digest == served(OWN).digest


def test_another_process_makes_the_same_rows() -> None:
    known = served(OWN)
    again = pickle.loads(pickle.dumps(known))  # noqa: S301  # our own
    assert again.index(WREN) == known.index(WREN)
    assert again.digest == known.digest


def test_all_of_r4_for_our_types_is_served() -> None:
    """But what has no expression there: _content, _text, _filter, _has, _list, _query, _type."""
    known = served()
    missing = {
        one["id"]
        for one in search_parameters().values()
        for type_ in STORED
        if any(specialises(type_, base) for base in one["base"])
        if one["code"] not in known.of_type(type_)
    }
    assert missing == set()
    assert sum(len(known.of_type(type_)) for type_ in STORED) > 800
