"""Reading expressions: what is refused, and where (grammar: FHIRPath N1, appendix)."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.fhir.fhirpath import FhirPathError, compile_expression
from service.fhir.fhirpath.parser import parse
from service.fhir.fhirpath.syntax import Binary, Call, Literal, Member
from service.fhir.type_model import R4


@pytest.mark.parametrize(
    ("text", "position", "words"),
    [
        ("name.given and", 14, "too early"),
        ("name..given", 5, "after the dot"),
        ("name[0", 6, "']' was expected"),
        ("(name", 5, "')' was expected"),
        ("name given", 5, "not expected"),
        ("name = #", 7, "'#' begins nothing"),
        ("'open", 0, "begins nothing"),
        ("2 /* open", 3, "not expected"),
        ("name.wher(use = 'usual')", 5, "no function wher"),
        ("name.where()", 5, "does not take 0"),
        ("name is Nmae", 5, "no type Nmae"),
        ("@2021-02-30", 0, "no Date"),
        ("3000000000", 0, "2147483647"),
        (r"'\q'", 0, "no escape"),
        ("", 0, "too early"),
    ],
)
def test_a_fault_is_named_with_its_place(text, position, words):
    with pytest.raises(FhirPathError) as caught:
        compile_expression(text, R4)
    assert caught.value.position == position
    assert words in caught.value.message


@pytest.mark.parametrize(
    "text", ["(" * 100 + "1" + ")" * 100, "-" * 500 + "1", "1" + " + 1" * 5000, "a" * 30_000]
)
def test_hostile_expressions_are_refused_without_harm(text):
    with pytest.raises(FhirPathError):
        compile_expression(text, R4)


def test_operators_bind_as_the_specification_says():
    tree = parse("a or b and c = 1 + 2 * 3")
    assert isinstance(tree, Binary)
    assert tree.operator == "or"
    assert tree.right.operator == "and"
    assert tree.right.right.operator == "="
    assert tree.right.right.right.operator == "+"
    assert tree.right.right.right.right.operator == "*"


def test_words_of_the_grammar_serve_as_names():
    assert parse("contains") == Member(None, "contains", 0)
    assert parse("text.`div`") == parse("text.div") == Member(Member(None, "text", 0), "div", 5)
    assert isinstance(parse("fullUrl.contains('x')"), Call)


def test_comments_and_escapes():
    assert parse("1 // one") == Literal(1, 0)
    assert parse("/* two\nlines */ 'a\\u00e9\\n'") == Literal("aé\n", 16)


@given(st.text(alphabet="ab.()[]'`%$@|&=<>!~+-*/{} \n\\0123456789TZ:", max_size=40))
def test_any_text_compiles_or_is_refused(text):
    try:
        compile_expression(text, R4)
        position = None
    except FhirPathError as error:
        position = error.position
    assert position is None or 0 <= position <= len(text)
