"""$translate: the rules of R4 conceptmap.html and conceptmap-operation-translate.html."""

from typing import Any

import pytest
from terminologies import COLOUR, HOME, coding, terminology, value, value_set, values

from service.compose import build_definitions
from service.fhir.terminology import Asked, Terminology, UnknownError, translate

USE = "http://hl7.org/fhir/address-use"
V3_USE = "http://terminology.hl7.org/CodeSystem/v3-AddressUse"
SHADE = f"{HOME}/shade"
BASE = "https://airway-programmes.example/fhir"


def concept_map(name: str, *groups: dict[str, Any], **more: Any) -> dict[str, Any]:
    made = {"resourceType": "ConceptMap", "url": f"{HOME}/ConceptMap/{name}", "status": "active"}
    return made | {"group": list(groups)} | more


def group(source: str, target: str, rows: dict[str, Any], **more: Any) -> dict[str, Any]:
    """``rows``: by source code, the target rows."""
    elements = [{"code": code, "target": targets} for code, targets in rows.items()]
    return {"source": source, "target": target, "element": elements} | more


def to(code: str, equivalence: str = "equivalent", **more: Any) -> dict[str, Any]:
    return {"code": code, "equivalence": equivalence} | more


ADDRESS_USES = concept_map(
    "address-use",
    group(USE, V3_USE, {
        "home": [to("H")],
        "work": [to("WP")],
        "temp": [to("TMP")],
        "old": [to("BAD", "disjoint")],
    }),
)  # fmt: skip
"""The mapping of the R4 example ConceptMap/101 (conceptmap-example.html, from memory)."""


def asked(known: Terminology, code: str, system: str, **more: Any) -> dict[str, Any]:
    url = more.pop("url", None)
    chosen = known.maps.get(url) if url else None
    return translate(Asked([coding(code, system)], chosen, **more), known.maps, known.value_sets)


def led_to(answer: dict[str, Any]) -> list[tuple[str, str]]:
    return [
        (match["equivalence"], match.get("concept", {}).get("code", ""))
        for match in values(answer, "match")
    ]


def test_the_example_of_the_standard() -> None:
    known = terminology(ADDRESS_USES)
    answer = asked(known, "home", USE)
    assert value(answer, "result") is True
    assert values(answer, "match") == [
        {
            "equivalence": "equivalent",
            "concept": {"system": V3_USE, "code": "H"},
            "source": ADDRESS_USES["url"],
        }
    ]


def test_disjoint_and_unmatched_are_told_and_are_no_result() -> None:
    known = terminology(ADDRESS_USES)
    answer = asked(known, "old", USE)
    assert value(answer, "result") is False
    assert led_to(answer) == [("disjoint", "BAD")]
    shipped = Terminology.of(build_definitions())
    unmatched = asked(shipped, "complete", f"{BASE}/CodeSystem/airway-outcome")
    assert value(unmatched, "result") is False
    assert led_to(unmatched) == [("unmatched", "")]


def test_what_no_map_lists_leads_nowhere() -> None:
    known = terminology(ADDRESS_USES)
    for code, system in (("none", USE), ("home", "https://example.org/other")):
        answer = asked(known, code, system)
        assert value(answer, "result") is False
        assert code in value(answer, "message")
        assert led_to(answer) == []


def test_backwards_wider_is_narrower() -> None:
    rows = {"red": [to("dark", "wider")], "blue": [to("dark", "specializes")]}
    known = terminology(concept_map("shades", group(COLOUR, SHADE, rows)))
    assert led_to(asked(known, "red", COLOUR)) == [("wider", "dark")]
    back = asked(known, "dark", SHADE, reverse=True)
    assert led_to(back) == [("narrower", "red"), ("subsumes", "blue")]


@pytest.mark.parametrize(
    ("unmapped", "match"),
    [
        ({"mode": "provided"}, ("relatedto", "pink")),
        ({"mode": "fixed", "code": "other"}, ("relatedto", "other")),
        ({"mode": "other-map", "url": f"{HOME}/ConceptMap/more"}, ("equal", "pale")),
    ],
)
def test_what_a_map_says_of_codes_that_it_does_not_list(
    unmapped: dict[str, Any], match: tuple[str, str]
) -> None:
    first = concept_map("first", group(COLOUR, SHADE, {"red": [to("dark")]}, unmapped=unmapped))
    more = concept_map("more", group(COLOUR, SHADE, {"pink": [to("pale", "equal")]}))
    known = terminology(first, more)
    assert led_to(asked(known, "pink", COLOUR, url=first["url"])) == [match]
    assert led_to(asked(known, "red", COLOUR, url=first["url"])) == [("equivalent", "dark")]


def test_maps_that_refer_to_each_other_or_to_none_come_to_an_end() -> None:
    def onward(name: str, other: str) -> dict[str, Any]:
        rule = {"mode": "other-map", "url": f"{HOME}/ConceptMap/{other}"}
        return concept_map(name, group(COLOUR, SHADE, {}, unmapped=rule))

    known = terminology(onward("a", "b"), onward("b", "a"), onward("c", "none"))
    assert led_to(asked(known, "red", COLOUR, url=f"{HOME}/ConceptMap/a")) == []
    answer = asked(known, "red", COLOUR, url=f"{HOME}/ConceptMap/c")
    assert "No concept map" in value(answer, "message")


def test_the_target_narrows_the_matches() -> None:
    rows = {"home": [to("H"), to("HP", "narrower")]}
    known = terminology(
        concept_map("uses", group(USE, V3_USE, rows), group(USE, SHADE, {"home": [to("x")]})),
        value_set("only-h", {"system": V3_USE, "concept": [{"code": "H"}]}),
        value_set("snomed", {"system": "http://snomed.info/sct"}),
    )
    assert len(led_to(asked(known, "home", USE))) == 3
    assert led_to(asked(known, "home", USE, target_system=SHADE)) == [("equivalent", "x")]
    only = f"{HOME}/ValueSet/only-h"
    assert led_to(asked(known, "home", USE, target=only)) == [("equivalent", "H")]
    with pytest.raises(UnknownError):
        asked(known, "home", USE, target="https://example.org/none")


def test_the_source_value_set_chooses_the_map() -> None:
    made = [
        concept_map(name, group(USE, SHADE, {"home": [to(name)]}), sourceUri=f"{HOME}/{name}")
        for name in ("one", "two")
    ]
    known = terminology(*made)
    assert led_to(asked(known, "home", USE, source=f"{HOME}/two")) == [("equivalent", "two")]


def test_a_version_of_the_system_chooses_the_group() -> None:
    groups = [
        group(COLOUR, SHADE, {"red": [to(version)]}, sourceVersion=version) for version in "12"
    ]
    known = terminology(concept_map("versions", *groups))
    question = Asked([coding("red", version="2")])
    assert led_to(translate(question, known.maps, known.value_sets)) == [("equivalent", "2")]
    assert len(led_to(asked(known, "red", COLOUR))) == 2


def test_a_match_that_depends_on_more_is_left_out_and_products_are_told() -> None:
    element = f"{HOME}/element"
    product = {"property": element, "system": SHADE, "value": "bright", "display": "Bright"}
    depends = {"property": element, "value": "x"}
    rows = {"red": [to("dark", product=[product]), to("deep", dependsOn=[depends])]}
    answer = asked(terminology(concept_map("m", group(COLOUR, SHADE, rows))), "red", COLOUR)
    assert led_to(answer) == [("equivalent", "dark")]
    assert values(answer, "match")[0]["product"] == {
        "element": element,
        "concept": {"system": SHADE, "code": "bright", "display": "Bright"},
    }
    assert "left out" in value(answer, "message")


def test_the_newest_version_of_a_map_is_followed_and_any_can_be_named() -> None:
    made = [
        concept_map("m", group(COLOUR, SHADE, {"red": [to(version)]}), version=version)
        for version in ("1.9.0", "1.10.0")
    ]
    known = terminology(*made)
    assert led_to(asked(known, "red", COLOUR)) == [("equivalent", "1.10.0")]
    old = known.maps.get(made[0]["url"], "1.9.0")
    answer = translate(Asked([coding("red")], old), known.maps, known.value_sets)
    assert led_to(answer) == [("equivalent", "1.9.0")]
    with pytest.raises(UnknownError):
        known.maps.get(made[0]["url"], "3")
