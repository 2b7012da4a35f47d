"""Slices: every discriminator, rules on what is in none, order, slices of slices (R4 profiling)."""

from typing import Any

import pytest
from profile_builder import HL7, HOME, coded, element, judged, keys, profile, slicing


def observation(*parts: dict[str, Any], **more: Any) -> dict[str, Any]:
    return {
        "resourceType": "Observation",
        "status": "final",
        "code": {"text": "x"},
        "component": list(parts),
    } | more


def part(code: str, **value: Any) -> dict[str, Any]:
    return {"code": coded(code)} | (value or {"valueInteger": 1})


def sliced(how: dict[str, Any], *elements: dict[str, Any]) -> dict[str, Any]:
    return profile("p", "Observation", element("Observation.component", slicing=how), *elements)


A = "Observation.component:a"
B = "Observation.component:b"


def test_by_pattern_of_the_value() -> None:
    rule = sliced(
        slicing("value", "code"),
        element(A, max="1"),
        element(f"{A}.code", patternCodeableConcept=coded("a")),
        element(f"{A}.value[x]", type=[{"code": "integer"}]),
    )
    good = observation(part("a"), part("other", valueString="x"))
    assert judged(good, rule) == []
    twice = observation(part("a"), part("b"), part("a"))
    assert keys(judged(twice, rule)) == [("cardinality-max", "Observation.component[2]")]
    wrong = observation(part("a", valueString="x"))
    assert keys(judged(wrong, rule)) == [("type", "Observation.component[0].value")]


def test_by_a_value_fixed_further_down() -> None:
    rule = sliced(
        slicing("value", "code"),
        element(A, min=1),
        element(f"{A}.code.coding.code", fixedCode="a"),
    )
    assert judged(observation(part("a")), rule) == []
    assert keys(judged(observation(part("b")), rule)) == [("cardinality-min", "Observation")]


def test_by_type() -> None:
    rule = sliced(
        slicing("type", "value"),
        element(A, max="1"),
        element(f"{A}.value[x]", type=[{"code": "Quantity"}]),
        element(B, max="0"),
        element(f"{B}.value[x]", type=[{"code": "string"}]),
    )
    assert judged(observation(part("x", valueQuantity={"value": 1}), part("y")), rule) == []
    texts = observation(part("x", valueString="y"))
    assert keys(judged(texts, rule)) == [("cardinality-max", "Observation.component[0]")]


def test_by_presence() -> None:
    rule = sliced(
        slicing("exists", "dataAbsentReason"),
        element(A),
        element(f"{A}.dataAbsentReason", min=1),
        element(f"{A}.value[x]", max="0"),
        element(B),
        element(f"{B}.dataAbsentReason", max="0"),
        element(f"{B}.value[x]", min=1),
    )
    absent = {"code": coded("a"), "dataAbsentReason": {"text": "asleep"}}
    assert judged(observation(absent, part("b")), rule) == []
    neither = observation({"code": coded("a"), "interpretation": [{"text": "x"}]})
    assert keys(judged(neither, rule)) == [("cardinality-min", "Observation.component[0]")]


def entries(*resources: dict[str, Any]) -> dict[str, Any]:
    rows = [
        {"fullUrl": f"https://e.example/{r['resourceType']}/{r['id']}", "resource": r}
        for r in resources
    ]
    return {"resourceType": "Bundle", "type": "collection", "entry": rows}


ADULT = profile("adult", "Patient", element("Patient.birthDate", min=1))
BORN = {"resourceType": "Patient", "id": "a", "birthDate": "2031"}
UNBORN = {"resourceType": "Patient", "id": "b", "active": True}


def test_by_profile_of_an_entry() -> None:
    rule = profile(
        "b", "Bundle",
        element("Bundle.entry", slicing=slicing("profile", "resource")),
        element("Bundle.entry:adult", min=1, max="1"),
        element("Bundle.entry:adult.resource", type=[
            {"code": "Patient", "profile": [f"{HOME}/StructureDefinition/adult"]}]),
    )  # fmt: skip
    assert judged(entries(BORN, UNBORN), rule, ADULT) == []
    assert keys(judged(entries(UNBORN), rule, ADULT)) == [("cardinality-min", "Bundle")]
    both = entries(BORN, BORN | {"id": "c"})
    assert keys(judged(both, rule, ADULT)) == [("cardinality-max", "Bundle.entry[1]")]


def test_by_type_of_what_a_reference_reaches() -> None:
    rule = profile(
        "l", "List",
        element("List.entry", slicing=slicing("type", "item.resolve()", "closed")),
        element("List.entry:who", min=1, max="1"),
        element("List.entry:who.item", type=[
            {"code": "Reference", "targetProfile": [f"{HL7}/Patient"]}]),
    )  # fmt: skip

    def listing(*references: str) -> dict[str, Any]:
        rows = [{"item": {"reference": reference}} for reference in references]
        return {"resourceType": "List", "status": "current", "mode": "working", "entry": rows}

    assert judged(listing("Patient/1"), rule) == []
    assert keys(judged(listing("Patient/1", "Goal/2"), rule)) == [("slice-closed", "List.entry[1]")]


@pytest.mark.parametrize(
    ("rules", "ordered", "codes", "expected"),
    [
        ("open", False, "xbxa", []),
        ("closed", False, "ab", []),
        ("closed", False, "axb", [("slice-closed", "Observation.component[1]")]),
        ("openAtEnd", False, "baxx", []),
        ("openAtEnd", False, "axb", [("slice-order", "Observation.component[1]")]),
        ("open", True, "axb", []),
        ("open", True, "ba", [("slice-order", "Observation")]),
    ],
)
def test_rules_and_order(rules: str, ordered: bool, codes: str, expected: list[Any]) -> None:
    rule = sliced(
        slicing("pattern", "code", rules, ordered=ordered),
        element(A),
        element(f"{A}.code", patternCodeableConcept=coded("a")),
        element(B),
        element(f"{B}.code", patternCodeableConcept=coded("b")),
    )
    assert keys(judged(observation(*map(part, codes)), rule)) == expected


def test_what_no_slice_takes_may_have_rules_of_its_own() -> None:
    rule = sliced(
        slicing("pattern", "code"),
        element(A),
        element(f"{A}.code", patternCodeableConcept=coded("a")),
        element("Observation.component:@default", max="1"),
    )
    many = observation(part("a"), part("x"), part("y"))
    assert keys(judged(many, rule)) == [("cardinality-max", "Observation.component[2]")]


def test_a_slice_is_sliced_again() -> None:
    outer = sliced(
        slicing("value", "code"),
        element(A, slicing=slicing("type", "value")),
        element(f"{A}.code", patternCodeableConcept=coded("a")),
        element(f"{A}/number", max="1"),
        element(f"{A}/number.value[x]", type=[{"code": "integer"}]),
    )
    assert judged(observation(part("a"), part("b"), part("a", valueString="x")), outer) == []
    twice = observation(part("a"), part("b"), part("a"))
    assert keys(judged(twice, outer)) == [("cardinality-max", "Observation.component[2]")]


def test_a_slice_within_a_slice() -> None:
    rule = sliced(
        slicing("pattern", "code"),
        element(A, min=1),
        element(f"{A}.code", patternCodeableConcept=coded("a")),
        element(f"{A}.referenceRange", slicing=slicing("pattern", "type")),
        element(f"{A}.referenceRange:normal", min=1),
        element(f"{A}.referenceRange:normal.type", patternCodeableConcept=coded("normal")),
    )
    ranges = [{"text": "x", "type": coded("normal")}]
    assert judged(observation(part("a", valueInteger=1, referenceRange=ranges)), rule) == []
    assert keys(judged(observation(part("a")), rule)) == [
        ("cardinality-min", "Observation.component[0]")
    ]


def test_a_profile_on_a_profile_narrows_its_slices() -> None:
    base = sliced(
        slicing("pattern", "code"),
        element(A),
        element(f"{A}.code", patternCodeableConcept=coded("a")),
    )
    narrow = profile(
        "narrow", "Observation",
        element(A, min=1), element(f"{A}.value[x]", type=[{"code": "string"}]),
        baseDefinition=base["url"],
    )  # fmt: skip
    assert judged(observation(part("a", valueString="x")), narrow, base) == []
    assert keys(judged(observation(part("b")), narrow, base)) == [
        ("cardinality-min", "Observation")
    ]
    assert keys(judged(observation(part("a")), narrow, base)) == [
        ("type", "Observation.component[0].value")
    ]


def test_one_type_of_a_choice_by_its_short_path() -> None:
    rule = profile(
        "q", "Observation",
        {"path": "Observation.valueQuantity", "min": 0},
        {"path": "Observation.valueQuantity.unit", "min": 1},
    )  # fmt: skip
    assert judged(observation(part("a"), valueString="x"), rule) == []
    assert keys(judged(observation(part("a"), valueQuantity={"value": 1}), rule)) == [
        ("cardinality-min", "Observation.value")
    ]


def test_bundles_in_bundles_by_a_profile_of_themselves_cost_no_more_than_their_size() -> None:
    url = f"{HOME}/StructureDefinition/nest"
    rule = profile(
        "nest", "Bundle",
        element("Bundle.entry", slicing=slicing("profile", "resource")),
        element("Bundle.entry:inner", max="1"),
        element("Bundle.entry:inner.resource", type=[{"code": "Bundle", "profile": [url]}]),
        element("Bundle.timestamp", max="0"),
    )  # fmt: skip

    def nested(levels: int, **more: Any) -> dict[str, Any]:
        inner = {"resourceType": "Bundle", "id": "b", "type": "collection"} | more
        for _ in range(levels):
            row = {"fullUrl": "https://e.example/Bundle/b", "resource": inner}
            inner = {"resourceType": "Bundle", "id": "b", "type": "collection", "entry": [row]}
        return inner

    assert judged(nested(15), rule) == []
    assert judged(nested(15, timestamp="2031-01-01T00:00:00Z"), rule) == [], "it is in no slice"
