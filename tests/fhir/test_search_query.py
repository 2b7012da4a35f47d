"""What a search asks: R4 search.html (prefixes, modifiers, escaping, errors)."""

from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.fhir.search.query import Include, Search, SearchError, parse_search, split, unescape
from service.fhir.search.terms import (
    Condition,
    DateValue,
    QuantityValue,
    ReferenceValue,
    SortKey,
    StringValue,
    TokenValue,
    UriValue,
)
from service.fhir.spans import span_of


def asked(name: str, value: str, kind: str = "Observation") -> Condition:
    (condition,) = parse_search(kind, [(name, value)]).criteria
    return condition


@pytest.mark.parametrize(
    ("text", "system", "code"),
    [
        ("A", None, "A"),
        ("|A", "", "A"),
        ("urn:s|A", "urn:s", "A"),
        ("urn:s|", "urn:s", None),
        (
            r"https://example.org/odd\,sys|A\,1\|2\$3\\4",
            "https://example.org/odd,sys",
            r"A,1|2$3\4",
        ),
    ],
)
def test_token_forms(text: str, system: str | None, code: str | None) -> None:
    assert asked("identifier", text).values == (TokenValue(system, code),)


def test_a_comma_means_or_and_a_repeated_name_means_and() -> None:
    found = parse_search("Observation", [("status", "final,amended"), ("status", "final")])
    assert [len(condition.values) for condition in found.criteria] == [2, 1]


@given(st.lists(st.text(), min_size=1), st.sampled_from(",|$"))
def test_splitting_and_unescaping_undo_escaping(parts: list[str], separator: str) -> None:
    escaped = []
    for part in parts:
        text = part.replace("\\", "\\\\")
        for character in ",|$":
            text = text.replace(character, f"\\{character}")
        escaped.append(text)
    assert [unescape(part) for part in split(separator.join(escaped), separator)] == parts


def test_not_and_missing_judge_the_resource() -> None:
    assert asked("category:not", "activity,survey") == Condition(
        "category",
        "token",
        (TokenValue(None, "activity"), TokenValue(None, "survey")),
        negated=True,
    )
    assert asked("date:missing", "true") == Condition("date", "date", missing=True)


@pytest.mark.parametrize(
    ("name", "text", "value"),
    [
        ("date", "2031-03", DateValue("eq", *span_of("2031-03"))),
        ("date", "sa2031-03-09", DateValue("sa", *span_of("2031-03-09"))),
        ("date", "ge2031-03-09T22:55:00Z", DateValue("ge", *span_of("2031-03-09T22:55:00Z"))),
        ("subject", "Patient/p1", ReferenceValue("Patient", "p1")),
        ("subject", "p1", ReferenceValue(None, "p1")),
        ("patient", "p1", ReferenceValue("Patient", "p1")),
        ("subject:Patient", "p1", ReferenceValue("Patient", "p1")),
        ("subject", "https://else.example/fhir/Patient/p1",
         ReferenceValue("", "https://else.example/fhir/Patient/p1")),
        ("subject:identifier", "urn:c|1", TokenValue("urn:c", "1")),
        ("value-string", "Zoë B", StringValue("zoe b")),
        ("value-string:exact", "Zoë", StringValue("Zoë", "exact")),
        ("value-string:contains", "O", StringValue("o", "contains")),
        ("value-quantity", "5.40|urn:u|mL",
         QuantityValue("eq", Decimal("5.40"), Decimal("5.395"), Decimal("5.405"), "urn:u", "mL")),
        ("value-quantity", "gt1e2",
         QuantityValue("gt", Decimal("1e2"), Decimal("50"), Decimal("150"))),
        ("_profile:below", "urn:x", UriValue("urn:x", "below")),
        ("_id", "abc", TokenValue(None, "abc")),
    ],
)  # fmt: skip
def test_values(name: str, text: str, value: object) -> None:
    assert asked(name, text).values == (value,)


def test_an_identifier_of_a_reference_is_asked_as_a_token() -> None:
    condition = asked("subject:identifier", "urn:c|1")
    assert (condition.parameter, condition.kind) == ("subject:identifier", "token")


def test_own_absolute_references_are_local() -> None:
    found = parse_search(
        "Observation",
        [("subject", "https://here.example/fhir/Patient/p1")],
        base="https://here.example/fhir/",
    )
    assert found.criteria[0].values == (ReferenceValue("Patient", "p1"),)


@pytest.mark.parametrize(
    ("name", "text"),
    [
        ("date", "20x1"),
        ("date", "ap2031"),
        ("date", "ge2031-03-09T22:55:00 01:00"),
        ("identifier", "x\\"),
        ("identifier", r"x\y"),
        ("identifier", "a|b|c"),
        ("identifier", "|"),
        ("status", ""),
        ("status", "final,,amended"),
        ("category:missing", "maybe"),
        ("code:session", "x"),
        ("code:below", "x"),
        ("date:not", "2031"),
        ("subject:Patient", "Group/g"),
        ("value-quantity", "abc"),
        ("value-quantity", "5|x"),
        ("value-quantity", "NaN"),
        ("value-quantity", "1e99999"),
        ("_count", "-1"),
        ("_count", "ten"),
        ("_sort", "colour"),
        ("_summary", "some"),
        ("_total", "perhaps"),
    ],
)
def test_refused_by_name(name: str, text: str) -> None:
    with pytest.raises(SearchError) as caught:
        parse_search("Observation", [(name, text)])
    assert caught.value.parameter == name


def test_unknown_parameters_are_left_out_and_named() -> None:
    pairs = [("subject", "Patient/p1"), ("colour", "blue"), ("subject.colour", "blue")]
    found = parse_search("Observation", pairs)
    assert found.unknown == ["colour", "subject.colour"]
    assert found.understood == [("subject", "Patient/p1")]


def test_what_shapes_the_answer() -> None:
    pairs = [("_sort", "-date,_id"), ("_count", "20"), ("_total", "accurate"), ("_format", "json")]
    found = parse_search("Observation", pairs)
    assert found.sort == [SortKey("date", "date", True), SortKey("_id", "token", False)]
    assert found.count == 20
    assert parse_search("Observation", [("_summary", "count")]).count == 0


NAMES = ["date", "code", "subject", "value-quantity", "_count", "_sort", "identifier:not", "x"]


@given(st.lists(st.tuples(st.sampled_from(NAMES), st.text(max_size=20))))
def test_any_text_is_understood_or_refused(pairs: list[tuple[str, str]]) -> None:
    try:
        found = parse_search("Observation", pairs)
    except SearchError:
        return
    assert isinstance(found, Search)


@pytest.mark.parametrize(
    ("name", "text", "told"),
    [
        ("subject.birthdate", "20x1", "cannot be read"),
        ("status.name", "x", "no reference"),
        ("_has:Observation:status:code", "x", "_has:Type:reference:parameter"),
        ("_has:Nothing:subject:code", "x", "_has:Type:reference:parameter"),
    ],
)
def test_chains_that_cannot_be_followed(name: str, text: str, told: str) -> None:
    with pytest.raises(SearchError, match=told):
        parse_search("Observation", [(name, text)])


def test_includes_name_a_reference() -> None:
    pairs = [("_include", "Observation:subject:Patient"), ("_revinclude:iterate", "CarePlan:*")]
    assert parse_search("Observation", pairs).includes == [
        Include("Observation", "subject", "Patient"),
        Include("CarePlan", "*", iterate=True, reverse=True),
    ]
    for text in ("Observation", "Observation:status", "Nothing:subject", "Observation:subject:X"):
        with pytest.raises(SearchError, match="Type:reference"):
            parse_search("Observation", [("_include", text)])
