"""What a search asks: R4 search.html (prefixes, modifiers, chains, errors)."""

from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st
from search_language import parse

from service.fhir.search.query import Include, Search, SearchError
from service.fhir.search.terms import (
    AnyOf,
    Condition,
    Criterion,
    DateValue,
    Having,
    Linked,
    QuantityValue,
    ReferenceValue,
    SortKey,
    StringValue,
    TokenValue,
    UriValue,
    Value,
)
from service.fhir.spans import span_of


def asked(name: str, value: str, kind: str = "Observation") -> Condition:
    (condition,) = parse(kind, [(name, value)]).criteria
    assert isinstance(condition, Condition)
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
    found = parse("Observation", [("status", "final,amended"), ("status", "final")])
    assert [len(condition.values) for condition in found.criteria] == [2, 1]  # type: ignore[union-attr]


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
        ("code:text", "Mask", StringValue("mask")),
        ("identifier:of-type", "urn:t|MR|446053", TokenValue("urn:t", "MR|446053")),
        ("value-quantity", "5.40|urn:u|mL",
         QuantityValue("eq", Decimal("5.40"), Decimal("5.395"), Decimal("5.405"), "urn:u", "mL")),
        ("value-quantity", "gt1e2",
         QuantityValue("gt", Decimal("1e2"), Decimal("50"), Decimal("150"))),
        ("value-quantity", "ap100", QuantityValue("ap", Decimal(100), Decimal(90), Decimal(110))),
        ("_profile:below", "urn:x", UriValue("urn:x", "below")),
        ("_source", "urn:x", UriValue("urn:x")),
        ("_security", "urn:s|R", TokenValue("urn:s", "R")),
        ("_id", "abc", TokenValue(None, "abc")),
    ],
)  # fmt: skip
def test_values(name: str, text: str, value: Value) -> None:
    assert asked(name, text).values == (value,)


def test_about_a_date_is_about_its_distance_to_now() -> None:
    """R4 search.html#prefix recommends a tenth; the clock says noon of 2031-03-10."""
    (value,) = asked("date", "ap2031-02-28").values
    low, high = span_of("2031-02-28")
    margin = (span_of("2031-03-10T12:00:00Z")[0] - high) // 10
    assert value == DateValue("ap", low - margin, high + margin)
    (today,) = asked("date", "ap2031-03-10").values
    assert today == DateValue("ap", *span_of("2031-03-10"))


def test_modifiers_ask_rows_of_their_own() -> None:
    names = {
        name: (asked(name, "urn:a|b|c").parameter, asked(name, "urn:a|b|c").kind)
        for name in ("identifier:of-type", "code:text")
    }
    assert names == {
        "identifier:of-type": ("identifier:of-type", "token"),
        "code:text": ("code:text", "string"),
    }
    condition = asked("subject:identifier", "urn:c|1")
    assert (condition.parameter, condition.kind) == ("subject:identifier", "token")


# -- value sets: R4 search.html#modifiers (in, not-in) ---------------------------------------------

SETS = {"urn:set": {("urn:s", "a"), ("urn:s", "b")}, "urn:empty": set()}


def test_members_of_a_value_set() -> None:
    def conditions(name: str) -> list[Criterion]:
        return parse("Observation", [(name, "urn:set")], sets=SETS.get).criteria

    members = (TokenValue("urn:s", "a"), TokenValue("urn:s", "b"))
    assert conditions("code:in") == [Condition("code", "token", members)]
    assert conditions("code:not-in") == [Condition("code", "token", members, negated=True)]


@pytest.mark.parametrize("name", ["code:in", "code:not-in"])
@pytest.mark.parametrize("text", ["urn:unknown", "urn:empty", "urn:large"])
def test_value_sets_that_cannot_be_asked_for(name: str, text: str) -> None:
    sets = SETS | {"urn:large": {("urn:s", str(number)) for number in range(500)}}
    with pytest.raises(SearchError, match="value set") as caught:
        parse("Observation", [(name, text)], sets=sets.get)
    assert caught.value.parameter == name


# -- errors ---------------------------------------------------------------------------------------


def test_own_absolute_references_are_local() -> None:
    found = parse(
        "Observation",
        [("subject", "https://here.example/fhir/Patient/p1")],
        base="https://here.example/fhir/",
    )
    assert found.criteria == [Condition.refers_to("subject", "Patient", "p1")]


@pytest.mark.parametrize(
    ("name", "text"),
    [
        ("date", "20x1"),
        ("date", "ge2031-03-09T22:55:00 01:00"),
        ("identifier", "x\\"),
        ("identifier", r"x\y"),
        ("identifier", "a|b|c"),
        ("identifier", "|"),
        ("identifier:of-type", "urn:t|MR"),
        ("status", ""),
        ("status", "final,,amended"),
        ("category:missing", "maybe"),
        ("code:session", "x"),
        ("code:below", "x"),
        ("code:above", "x"),
        ("code:in", "urn:x"),
        ("date:not", "2031"),
        ("subject:Patient", "Group/g"),
        ("subject:Observation", "o"),
        ("value-quantity", "abc"),
        ("value-quantity", "5|x"),
        ("value-quantity", "NaN"),
        ("value-quantity", "1e99999"),
        ("code-value-quantity", "a"),
        ("code-value-quantity", "a$b"),
        ("code-value-quantity", "a$1$2"),
        ("code-value-quantity", "urn:s|$1"),
        ("code-value-quantity:missing", "true"),
        ("_text", "..."),
        ("_text:exact", "x"),
        ("_filter", "name eq x"),
        ("_query", "x"),
        ("_id:of-type", "a|b|c"),
        ("_lastUpdated:not", "2031"),
        ("_count", "-1"),
        ("_count", "ten"),
        ("_count:exact", "1"),
        ("_sort", "colour"),
        ("_sort", "combo-code"),
        ("_sort", "_text"),
        ("_sort", "code-value-quantity"),
        ("_summary", "some"),
        ("_total", "perhaps"),
    ],
)
def test_refused_by_name(name: str, text: str) -> None:
    with pytest.raises(SearchError) as caught:
        parse("Observation", [(name, text)])
    assert caught.value.parameter == name


def test_unknown_parameters_are_left_out_and_named() -> None:
    pairs = [
        ("subject", "Patient/p1"),
        ("colour", "blue"),
        ("subject.colour", "blue"),
        ("_content", "words of an observation"),
    ]
    found = parse("Observation", pairs)
    assert found.unknown == ["colour", "subject.colour", "_content"]
    assert found.understood == [("subject", "Patient/p1")]


def test_what_shapes_the_answer() -> None:
    pairs = [("_sort", "-date,_id"), ("_count", "20"), ("_total", "accurate"), ("_format", "json")]
    found = parse("Observation", pairs)
    assert found.sort == [SortKey("date", "date", True), SortKey("_id", "token", False)]
    assert found.count == 20
    assert found.understood == pairs
    assert parse("Observation", [("_summary", "count")]).count == 0


NAMES = [
    "date", "code", "subject", "value-quantity", "combo-code", "combo-code-value-quantity", "_text",
    "_count", "_sort", "identifier:not", "identifier:of-type", "code:text", "subject.name",
    "_has:Provenance:target:agent", "_include", "x",
]  # fmt: skip


@given(st.lists(st.tuples(st.sampled_from(NAMES), st.text(max_size=20))))
def test_any_text_is_understood_or_refused(pairs: list[tuple[str, str]]) -> None:
    try:
        found = parse("Observation", pairs)
    except SearchError:
        return
    assert isinstance(found, Search)


# -- chains: R4 search.html#chaining, #has ---------------------------------------------------------


def test_a_chain_goes_over_every_type_that_can_read_it() -> None:
    (one,) = parse("Observation", [("subject.family", "Wren")]).criteria
    inner = Condition("family", "string", (StringValue("wren"),))
    assert one == Linked("subject", "Patient", (inner,))
    (several,) = parse("Observation", [("subject.identifier", "s|1")]).criteria
    inner = Condition("identifier", "token", (TokenValue("s", "1"),))
    assert several == AnyOf(
        tuple(Linked("subject", type_, (inner,)) for type_ in ("Device", "Group", "Patient"))
    )


def test_a_chain_asks_all_that_its_end_asks() -> None:
    (chain,) = parse("Observation", [("based-on:CarePlan._text", "mask daily")]).criteria
    words = (Condition("_text", "token", (TokenValue("", word),)) for word in ("mask", "daily"))
    assert chain == Linked("based-on", "CarePlan", tuple(words))
    (having,) = parse("Patient", [("_has:Observation:patient:combo-code", "s|a")]).criteria
    asked_of_any = tuple(
        Condition(name, "token", (TokenValue("s", "a"),)) for name in ("code", "component-code")
    )
    assert having == Having("Observation", "patient", (AnyOf(asked_of_any),))


@pytest.mark.parametrize(
    ("name", "text", "told"),
    [
        ("subject:Patient.birthdate", "20x1", "cannot be read"),
        ("subject.birthdate", "20x1", "cannot be read"),
        ("based-on:CarePlan.subject:Patient.birthdate", "20x1", "cannot be read"),
        ("subject:Patient.name:below", "x", "modifier :below"),
        ("subject:Observation.code", "x", "never refers to Observation"),
        ("status.name", "x", "no reference"),
        ("subject:Patient.gender.x", "x", "no reference"),
        ("_has:Observation:status:code", "x", "_has:Type:reference:parameter"),
        ("_has:Observation:subject", "x", "_has:Type:reference:parameter"),
        ("_has:Nothing:subject:code", "x", "_has:Type:reference:parameter"),
        ("_has:CarePlan:subject:date", "x", "never refers to Observation"),
        ("_has:Provenance:target:recorded", "x", "cannot be read"),
        ("has-member.has-member.has-member.has-member.status", "x", "at most 3"),
    ],
)
def test_chains_that_cannot_be_followed_are_named_as_asked(name: str, text: str, told: str) -> None:
    with pytest.raises(SearchError, match=told) as caught:
        parse("Observation", [(name, text)])
    assert caught.value.parameter == name


def test_includes_name_a_reference() -> None:
    pairs = [
        ("_include", "Observation:subject:Patient"),
        ("_include", "*"),
        ("_revinclude:iterate", "CarePlan:*"),
    ]
    assert parse("Observation", pairs).includes == [
        Include("Observation", "subject", "Patient"),
        Include("*", "*"),
        Include("CarePlan", "*", iterate=True, reverse=True),
    ]
    for text in ("Observation", "Observation:status", "Nothing:subject", "Observation:subject:X"):
        with pytest.raises(SearchError, match="Type:reference"):
            parse("Observation", [("_include", text)])
    with pytest.raises(SearchError, match="Type:reference"):
        parse("Observation", [("_revinclude", "*")])
