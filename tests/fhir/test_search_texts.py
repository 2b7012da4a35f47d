"""Words of the narrative (``_text``) and of a whole resource (``_content``)."""

from typing import Any

from hypothesis import given
from hypothesis import strategies as st
from search_language import found_by, parameters, parse

from service.fhir.search.terms import AnyOf, Condition, TokenRow, TokenValue
from service.fhir.search.texts import words

DIV = (
    '<div xmlns="http://www.w3.org/1999/xhtml"><b>Mask</b>,<br/>twice&#160;a day: caf&eacute;</div>'
)
PLAN = {
    "resourceType": "CarePlan",
    "id": "p1",
    "text": {
        "status": "generated",
        "div": DIV,
    },
    "title": "Home plan, by mask",
    "subject": {"reference": "Patient/wren", "display": "Ada Wren"},
    "period": {"start": "2031-03-09"},
    "note": [{"text": "Très bien."}],
}


def found(name: str, resource: dict[str, Any]) -> set[str]:
    return {row.code for row in found_by(resource) if row.parameter == name}  # type: ignore[union-attr]


def test_narrative_without_its_markup() -> None:
    assert found("_text", PLAN) == {"mask", "twice", "a", "day", "cafe"}


def test_content_has_what_the_narrative_lacks() -> None:
    """Both are asked together, so that no word is kept twice."""
    assert found("_content", PLAN) == {"home", "plan", "by", "ada", "wren", "tres", "bien"}
    (asked,) = parse("CarePlan", [("_content", "Mask")]).criteria
    token = (TokenValue("", "mask"),)
    assert asked == AnyOf(
        (Condition("_content", "token", token), Condition("_text", "token", token))
    )


def test_all_words_of_one_alternative() -> None:
    """(mask and daily) or cup: of every choice of one word from each, one occurs."""
    first, second = parse("CarePlan", [("_text", "mask daily,cup")]).criteria
    assert first == Condition("_text", "token", (TokenValue("", "mask"), TokenValue("", "cup")))
    assert second == Condition("_text", "token", (TokenValue("", "daily"), TokenValue("", "cup")))


def test_what_comes_in_millions_has_no_words_but_its_narrative() -> None:
    for type_ in ("AuditEvent", "Observation", "Provenance"):
        names = parameters().of_type(type_).keys()
        assert "_text" in names
        assert "_content" not in names
    assert not {"_text", "_content"} & parameters().of_type("Binary").keys()


@given(st.text())
def test_words_are_compared_as_they_are_kept(text: str) -> None:
    resource = {"resourceType": "CarePlan", "title": text}
    rows = found_by(resource)
    for word in words(text):
        assert TokenRow("_content", "", word) in rows
