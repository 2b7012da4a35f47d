"""What is said of single codes: our own systems, those of the R4 core, UCUM, and the rest.

Beside each check that has one: the outside source it agrees with.
"""

import json
from collections.abc import Callable
from typing import Any

import pytest
from fhir.resources.R4B import get_fhir_model_class
from hypothesis import given
from hypothesis import strategies as st
from shared_data import shared
from terminologies import COLOUR, HOME, terminology, value, values

from service.fhir.r4 import tables
from service.fhir.terminology import Absent, NotCheckedError, UnknownError, look_up

KNOWN = terminology()
SYSTEMS = KNOWN.systems
UCUM = SYSTEMS.get("http://unitsofmeasure.org")


def test_a_look_up_says_what_the_system_says() -> None:
    answer = look_up(SYSTEMS.get(COLOUR), "red")
    assert value(answer, "name") == "Colours"
    assert value(answer, "version") == "2.0.0"
    assert value(answer, "display") == "Red"
    assert value(answer, "designation") == {"language": "de-CH", "value": "Rot"}
    assert values(answer, "property") == [
        {"code": "definition", "value": "The colour of a stop light."},
        {"code": "child", "value": "pink"},
        {"code": "wavelength", "value": 700},
    ]
    assert value(look_up(SYSTEMS.get(COLOUR), "pink"), "property") == {
        "code": "parent",
        "value": "red",
    }


def test_a_look_up_gives_the_properties_and_the_language_asked_for() -> None:
    answer = look_up(SYSTEMS.get(COLOUR), "red", ["wavelength"], "de")
    assert value(answer, "display") == "Rot"
    assert value(answer, "property") == {"code": "wavelength", "value": 700}
    assert values(answer, "designation") == []
    assert value(look_up(SYSTEMS.get(COLOUR), "red", language="fr"), "display") == "Red"


def test_a_code_of_the_core_has_no_display_here_and_the_code_is_not_one() -> None:
    answer = look_up(SYSTEMS.get("http://hl7.org/fhir/goal-status"), "active")
    assert [part["name"] for part in answer["parameter"]] == ["name"]


def test_what_is_no_code_is_not_found() -> None:
    with pytest.raises(UnknownError, match="is no code of"):
        look_up(SYSTEMS.get(COLOUR), "green")


def test_case_matters_where_the_system_says_so() -> None:
    assert SYSTEMS.get(COLOUR).find("RED") == SYSTEMS.get(COLOUR).find("red")
    gender = SYSTEMS.get("http://hl7.org/fhir/administrative-gender")
    assert isinstance(gender.find("Male"), Absent)
    table = SYSTEMS.get("http://terminology.hl7.org/CodeSystem/v2-0203")
    assert not isinstance(table.find("MR"), Absent)
    with pytest.raises(NotCheckedError, match="whether case matters"):
        table.find("mr")
    assert isinstance(table.find("no such code"), Absent)


@pytest.mark.parametrize("content", ["fragment", "not-present", "example"])
def test_a_code_that_is_missing_in_a_part_of_a_system_is_not_judged(content: str) -> None:
    url = f"{HOME}/CodeSystem/part"
    part = {"resourceType": "CodeSystem", "url": url, "content": content, "caseSensitive": True}
    system = terminology(part | {"concept": [{"code": "a"}]}).systems.get(url)
    assert not isinstance(system.find("a"), Absent)
    with pytest.raises(NotCheckedError, match="Only a part"):
        system.find("b")


@pytest.mark.parametrize("url", ["http://snomed.info/sct", "http://loinc.org", "urn:ietf:bcp:47"])
def test_systems_that_others_publish_are_never_judged(url: str) -> None:
    with pytest.raises(NotCheckedError, match="not held here"):
        SYSTEMS.get(url).find("anything")


def test_an_unknown_system_or_version_is_said_so() -> None:
    with pytest.raises(UnknownError, match="No code system"):
        SYSTEMS.get("https://example.org/none")
    with pytest.raises(UnknownError, match=r'version 2.0.0, not in version "9"'):
        SYSTEMS.get(COLOUR, "9")
    assert SYSTEMS.get(COLOUR, "2.0.0").version == "2.0.0"
    with pytest.raises(NotCheckedError, match="not known"):
        SYSTEMS.get("http://hl7.org/fhir/goal-status", "3.0.1")
    assert SYSTEMS.get("http://hl7.org/fhir/goal-status", "4.0.1") is not None


ENUMERATED = {
    "CarePlan.status": "http://hl7.org/fhir/request-status",
    "Goal.lifecycleStatus": "http://hl7.org/fhir/goal-status",
    "Observation.status": "http://hl7.org/fhir/observation-status",
    "Patient.gender": "http://hl7.org/fhir/administrative-gender",
    "Consent.status": "http://hl7.org/fhir/consent-state-codes",
    "MeasureReport.status": "http://hl7.org/fhir/measure-report-status",
    "Bundle.type": "http://hl7.org/fhir/bundle-type",
}
"""Element and the system of its required binding (R4 terminologies-systems.html)."""


@pytest.mark.parametrize("place", ENUMERATED)
def test_codes_of_the_core_agree_with_the_lists_of_fhir_resources(place: str) -> None:
    owner, _, name = place.partition(".")
    fields: dict[str, Any] = get_fhir_model_class(owner).model_fields
    (field,) = (one for key, one in fields.items() if (one.alias or key) == name)
    listed = set(field.json_schema_extra["enum_values"])
    system = SYSTEMS.listed(ENUMERATED[place])
    assert system is not None
    known = set(system.concepts)
    # The library ends with "+" a list that it cuts short.
    assert known > listed - {"+"} if "+" in listed else known == listed


def test_every_code_of_the_required_bindings_is_known_or_not_judged() -> None:
    """Source: the published definitions of 4.0.1, as derived by others beside this project."""
    table = json.loads(shared("conformance/terminology/required.json").read_bytes())
    counted = {"known": 0, "not checked": 0}
    for row in (row for rows in table.values() for row in rows):
        try:
            found = SYSTEMS.get(row["system"]).find(row["code"])
        except NotCheckedError:
            counted["not checked"] += 1
            continue
        assert not isinstance(found, Absent), row
        counted["known"] += 1
    assert counted["known"] > 20 * counted["not checked"], counted


@pytest.mark.parametrize("code", ["cm[H2O]", "Hz", "mL", "%", "min", "s", "/min", "{breaths}/min"])
def test_units_that_the_programme_uses(code: str) -> None:
    found = UCUM.find(code)
    assert not isinstance(found, Absent)
    assert found.display is None


@pytest.mark.parametrize(
    ("code", "told"),
    [
        ("cmH2O", "cm[H2O]"),
        ("minutes", '"min"'),
        ("m s", "without blanks"),
        ("{a", "in pairs"),
        ("kg/month", "a code of UCUM"),
        ("furlong", "a code of UCUM"),
    ],
)
def test_what_is_surely_no_unit(code: str, told: str) -> None:
    found = UCUM.find(code)
    assert isinstance(found, Absent)
    assert told in found.reason


@pytest.fixture(scope="module")
def parses() -> Callable[[str], bool]:
    """The UCUM grammar as ucumvert has it."""
    ucumvert = pytest.importorskip("ucumvert")
    parser = ucumvert.get_ucum_parser()

    def ask(code: str) -> bool:
        try:
            parser.parse(code)
        except ucumvert.parser.UnexpectedInput:
            return False
        return True

    return ask


def test_common_units_are_judged_as_an_independent_parser_does(
    parses: Callable[[str], bool],
) -> None:
    """The 1357 codes of R4 ValueSet ucum-common.

    11 of them have blanks in braces. UCUM 2.1 does not allow those (section 6); here they pass,
    since R4 lists them.
    """
    codes = tables.value_sets()["http://hl7.org/fhir/ValueSet/ucum-common"][UCUM.url]
    refused = [code for code in codes if not parses(code)]
    assert len(codes) == 1357
    assert refused == [code for code in codes if " " in code]
    assert len(refused) == 11
    assert all(not isinstance(UCUM.find(code), Absent) for code in codes)


UNITS = st.sampled_from(["m", "s", "g", "mol", "kPa", "Hz", "min", "cm[H2O]", "10*", "year", "mx"])
PARTS = st.builds(str.__add__, UNITS, st.sampled_from(["", "2", "-1"])) | st.sampled_from(
    ["1", "%", "{breaths}", "mL{air}", "(m.s)", "-1", "", "[x]"]
)


@given(PARTS, st.lists(st.tuples(st.sampled_from([".", "/", "//"]), PARTS), max_size=4))
def test_a_unit_is_right_exactly_if_it_is_for_the_independent_parser(
    parses: Callable[[str], bool], first: str, more: list[tuple[str, str]]
) -> None:
    code = first + "".join(sign + part for sign, part in more)
    assert isinstance(UCUM.find(code), Absent) != parses(code), code
