"""Splitting and unescaping: R4 search.html#escaping."""

import pytest
from hypothesis import given
from hypothesis import strategies as st
from search_language import parse

from service.fhir.search.escapes import split, unescape
from service.fhir.search.terms import Condition, Linked, TokenValue

ODD = "A,1|2$3\\4"
ESCAPED = r"A\,1\|2\$3\\4"


def escaped(text: str) -> str:
    for character in "\\,|$":
        text = text.replace(character, f"\\{character}")
    return text


@given(st.lists(st.text(), min_size=1), st.sampled_from(",|$"))
def test_splitting_and_unescaping_undo_escaping(parts: list[str], separator: str) -> None:
    joined = separator.join(map(escaped, parts))
    assert [unescape(part) for part in split(joined, separator)] == parts


@given(st.text(min_size=1), st.text(min_size=1))
def test_any_identifier_can_be_asked_for(system: str, value: str) -> None:
    (condition,) = parse(
        "Patient", [("identifier", f"{escaped(system)}|{escaped(value)}")]
    ).criteria
    assert condition == Condition("identifier", "token", (TokenValue(system, value),))


@pytest.mark.parametrize("text", ["x\\", r"x\y", r"\a", "\\\\\\"])
def test_a_backslash_that_escapes_nothing(text: str) -> None:
    with pytest.raises(ValueError, match="backslash"):
        unescape(text)


@pytest.mark.parametrize(
    ("text", "separator", "parts"),
    [
        (r"a\,b,c", ",", [r"a\,b", "c"]),
        (r"a\\,b", ",", [r"a\\", "b"]),
        (r"a\\\,b", ",", [r"a\\\,b"]),
        ("", ",", [""]),
        (",", ",", ["", ""]),
    ],
)
def test_only_an_odd_run_of_backslashes_escapes(
    text: str, separator: str, parts: list[str]
) -> None:
    assert split(text, separator) == parts


def test_chains_and_composites_use_the_same_codec() -> None:
    (chain,) = parse("Observation", [("patient.identifier", f"urn:s|{ESCAPED}")]).criteria
    assert isinstance(chain, Linked)
    assert chain.criteria == (Condition("identifier", "token", (TokenValue("urn:s", ODD),)),)
    plain, odd = (
        parse("Observation", [("code-value-concept", f"{first}${ESCAPED}")]).criteria[0]
        for first in ("a", r"a\$b")
    )
    assert plain.values == odd.values == (TokenValue(None, ODD),)
    assert plain.parameter != odd.parameter
