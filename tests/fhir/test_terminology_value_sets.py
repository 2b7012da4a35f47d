"""Expansion of value sets and membership in them (R4 valueset.html, its two operations)."""

import json
from datetime import UTC, datetime
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from shared_data import shared
from terminologies import COLOUR, HOME, coding, terminology, value_set

from service.compose import build_definitions
from service.fhir.definitions import DefinitionError
from service.fhir.terminology import (
    Absent,
    Coding,
    NotCheckedError,
    Terminology,
    UnknownError,
    Wanted,
    expand,
    judged,
)

NOW = datetime(2031, 3, 9, 12, tzinfo=UTC)
SNOMED = "http://snomed.info/sct"
WARM = value_set("warm", {"system": COLOUR, "concept": [{"code": "red", "display": "Warm red"}]})
SHIPPED = Terminology.of(build_definitions())


def expansion(known: Terminology, url: str, **wanted: Any) -> dict[str, Any]:
    content = known.value_sets.get(url)
    found: dict[str, Any] = expand(content, Wanted(**wanted), known.systems, NOW)["expansion"]
    return found


def codes(known: Terminology, url: str, **wanted: Any) -> list[str]:
    return [row["code"] for row in expansion(known, url, **wanted).get("contains", [])]


def is_in(known: Terminology, url: str, *codings: Coding) -> bool:
    content = known.value_sets.get(url)
    return judged(lambda one: known.value_sets.find(content, one), codings).result


@pytest.mark.parametrize(
    ("made", "members"),
    [
        (value_set("v", {"system": COLOUR}), ["red", "pink", "blue"]),
        (
            value_set("v", {"system": COLOUR, "concept": [{"code": "blue"}, {"code": "red"}]}),
            ["blue", "red"],
        ),
        (value_set("v", {"valueSet": [WARM["url"]]}), ["red"]),
        (value_set("v", {"system": COLOUR, "valueSet": [WARM["url"]]}), ["red"]),
        (
            value_set("v", {"system": COLOUR}, exclude=[{"valueSet": [WARM["url"]]}]),
            ["pink", "blue"],
        ),
        (
            value_set("v", {"system": COLOUR, "concept": [{"code": "red"}]}, {"system": COLOUR}),
            ["red", "pink", "blue"],
        ),
        (
            value_set("v", {"system": SNOMED, "concept": [{"code": "2"}, {"code": "1"}]}),
            ["2", "1"],
        ),
    ],
)
def test_members_come_in_the_order_of_the_definition(
    made: dict[str, Any], members: list[str]
) -> None:
    known = terminology(WARM, made)
    assert codes(known, made["url"]) == members
    assert expansion(known, made["url"])["total"] == len(members)


def test_a_value_set_has_its_own_names_for_concepts_and_designations_on_request() -> None:
    known = terminology(WARM, value_set("all", {"system": COLOUR}))
    (row,) = expansion(known, WARM["url"])["contains"]
    assert row == {"system": COLOUR, "code": "red", "display": "Warm red"}
    row = expansion(known, f"{HOME}/ValueSet/all", designations=True, language="de")["contains"][0]
    assert row["display"] == "Rot"
    assert row["designation"] == [{"language": "de-CH", "value": "Rot"}]


def test_an_expansion_says_what_shaped_it() -> None:
    found = expansion(terminology(WARM), WARM["url"], filter="warm", offset=1, count=5)
    assert found["timestamp"] == "2031-03-09T12:00:00+00:00"
    assert (found["total"], found["offset"]) == (1, 1)
    assert "contains" not in found
    assert found["parameter"] == [
        {"name": "filter", "valueString": "warm"},
        {"name": "offset", "valueInteger": 1},
        {"name": "count", "valueInteger": 5},
        {"name": "version", "valueUri": f"{COLOUR}|2.0.0"},
    ]


def test_the_filter_takes_words_of_codes_and_names_in_any_case() -> None:
    made = value_set("all", {"system": COLOUR})
    known = terminology(made)
    assert codes(known, made["url"], filter="RED pale") == ["pink"]
    assert codes(known, made["url"], filter="rot") == ["red"]
    assert codes(known, made["url"], filter="green") == []


def test_what_cannot_be_listed_is_not_expanded() -> None:
    whole = value_set("whole", {"system": SNOMED}, {"system": COLOUR})
    rule = {"property": "concept", "op": "regex", "value": "r.*"}
    chosen = value_set("chosen", {"system": SNOMED, "filter": [rule]})
    unknown = value_set("unknown", {"valueSet": [f"{HOME}/ValueSet/none"]})
    known = terminology(whole, chosen, unknown)
    for made in (whole, chosen, unknown):
        with pytest.raises(NotCheckedError):
            expansion(known, made["url"])
        with pytest.raises(NotCheckedError):
            is_in(known, made["url"], coding("1", SNOMED))
    assert is_in(known, whole["url"], coding("blue"))
    assert not is_in(known, whole["url"], coding("green"))
    assert not is_in(known, chosen["url"], coding("blue"))
    with pytest.raises(NotCheckedError):
        is_in(known, unknown["url"], coding("blue"))


def test_what_is_taken_out_of_a_system_that_is_not_listed_is_not_judged() -> None:
    ucum = "http://unitsofmeasure.org"
    units = value_set("units", {"system": ucum})
    listed = {"system": ucum, "concept": [{"code": "mg"}]}
    fewer = value_set("fewer", {"system": ucum}, exclude=[listed])
    within = value_set("within", {"valueSet": [fewer["url"]]})
    known = terminology(units, fewer, within)
    assert is_in(known, units["url"], coding("mg", ucum))
    assert not is_in(known, units["url"], coding("milligram", ucum))
    for made in (fewer, within):
        with pytest.raises(NotCheckedError):
            is_in(known, made["url"], coding("mg", ucum))


def test_listed_codes_of_a_system_that_is_not_held_are_judged_by_the_list() -> None:
    made = value_set("v", {"system": SNOMED, "concept": [{"code": "1"}]})
    known = terminology(made)
    assert is_in(known, made["url"], coding("1", SNOMED))
    assert not is_in(known, made["url"], coding("2", SNOMED))


def test_one_right_coding_is_enough_and_one_unjudged_forbids_a_no() -> None:
    made = value_set("v", {"system": SNOMED}, {"system": COLOUR})
    known = terminology(made)
    assert is_in(known, made["url"], coding("1", SNOMED), coding("red"))
    with pytest.raises(NotCheckedError):
        is_in(known, made["url"], coding("green"), coding("1", SNOMED))
    assert not is_in(known, made["url"], coding("green"), Coding(None, "red"))
    assert not is_in(known, made["url"])


def test_a_wrong_display_is_wrong_and_the_right_one_is_told() -> None:
    known = terminology(WARM)
    content = known.value_sets.get(WARM["url"])

    def judge(display: str | None) -> Any:
        one = coding("red", display=display)
        return judged(lambda asked: known.value_sets.find(content, asked), [one])

    assert judge(None).display == "Warm red"
    assert judge("warm  RED").result
    assert judge("Rot").result
    wrong = judge("Blue")
    assert (wrong.result, wrong.display) == (False, "Warm red")
    assert wrong.message == 'Found the display "Blue", expected "Warm red".'


def test_a_display_is_not_judged_where_none_is_held() -> None:
    url = "http://hl7.org/fhir/ValueSet/goal-status"
    content = SHIPPED.value_sets.get(url)
    one = coding("active", "http://hl7.org/fhir/goal-status", display="Active")
    found = judged(lambda asked: SHIPPED.value_sets.find(content, asked), [one])
    assert found.result
    assert found.message is not None
    assert "was not checked" in found.message


def test_a_member_in_a_version_that_is_not_loaded_is_not_judged() -> None:
    known = terminology(WARM)
    assert is_in(known, WARM["url"], coding("red", version="2.0.0"))
    with pytest.raises(NotCheckedError):
        is_in(known, WARM["url"], coding("red", version="9"))


def test_an_unknown_value_set_or_version_is_said_so() -> None:
    with pytest.raises(UnknownError):
        SHIPPED.value_sets.get("https://example.org/none")
    with pytest.raises(UnknownError):
        SHIPPED.value_sets.get("http://hl7.org/fhir/ValueSet/goal-status", "3.0.0")
    assert SHIPPED.value_sets.get("http://hl7.org/fhir/ValueSet/goal-status", "4.0.1").members


def test_a_value_set_that_includes_itself_is_refused_at_the_start() -> None:
    url = f"{HOME}/ValueSet/self"
    with pytest.raises(DefinitionError):
        terminology(value_set("self", {"valueSet": [url]}))


def test_required_value_sets_hold_what_the_standard_lists() -> None:
    """Source: the published definitions of 4.0.1, as derived by others beside this project."""
    table = json.loads(shared("conformance/terminology/required.json").read_bytes())
    listed = 0
    for url, rows in table.items():
        pairs = {(row["system"], row["code"]) for row in rows}
        content = SHIPPED.value_sets.get(url.partition("|")[0])
        for system, code in pairs:
            found = SHIPPED.value_sets.find(content, Coding(system, code))
            assert not isinstance(found, Absent), (url, system, code)
        if content.open == frozenset():
            assert pairs == set(content.members), url
            listed += 1
    assert listed > 0.9 * len(table)


LISTABLE = sorted(
    value_set["url"]
    for value_set in build_definitions().of_type("ValueSet")
    if not SHIPPED.value_sets.get(value_set["url"]).open
)


@given(st.sampled_from(LISTABLE))
def test_our_value_sets_hold_exactly_what_they_list(url: str) -> None:
    rows = expansion(SHIPPED, url)["contains"]
    assert all(is_in(SHIPPED, url, coding(row["code"], row["system"])) for row in rows)
    assert not is_in(SHIPPED, url, coding("no-such-code", rows[0]["system"]))


@given(st.sampled_from(LISTABLE), st.integers(1, 7))
def test_pages_make_up_the_whole(url: str, size: int) -> None:
    whole = codes(SHIPPED, url)
    pages = [codes(SHIPPED, url, offset=n, count=size) for n in range(0, len(whole), size)]
    assert [code for page in pages for code in page] == whole
    assert codes(SHIPPED, url, count=0) == []
