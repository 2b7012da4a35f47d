"""Responses against their Questionnaires (R4 questionnaire.html, questionnaireresponse.html)."""

from decimal import Decimal
from typing import Any

import pytest
from profile_builder import CODES, HL7, keys
from serious import serious

from service.fhir.definitions import Definitions
from service.fhir.outcome import Finding
from service.fhir.validation import Validator

URL = "https://example.org/ward/Questionnaire/screen"


def questionnaire(*items: dict[str, Any]) -> dict[str, Any]:
    return {"resourceType": "Questionnaire", "url": URL, "status": "active", "item": list(items)}


def question(kind: str, link: str = "q", **more: Any) -> dict[str, Any]:
    return {"linkId": link, "type": kind} | more


def limited(kind: str, **limits: Any) -> dict[str, Any]:
    """A question with extensions: minValue="Integer 3" is written minValue=("Integer", 3)."""
    rows = [
        {"url": f"{HL7}/{name.replace('_', '-')}", f"value{of}": value}
        for name, (of, value) in limits.items()
    ]
    return question(kind, extension=rows)


def item(link: str, *values: dict[str, Any], **more: Any) -> dict[str, Any]:
    return {"linkId": link} | ({"answer": list(values)} if values else {}) | more


def judged(
    form: dict[str, Any], *items: dict[str, Any], status: Any = "completed"
) -> list[Finding]:
    known = Definitions()
    known.add(form)
    response = {"resourceType": "QuestionnaireResponse", "questionnaire": URL, "status": status,
                "item": list(items)}  # fmt: skip
    return serious(Validator(known).validate(response))


COUGH = {"system": CODES, "code": "cough"}
FEVER = {"system": CODES, "code": "fever"}


@pytest.mark.parametrize(
    ("asked", "right", "wrong", "key"),
    [
        (question("boolean"), {"valueBoolean": True}, {"valueString": "yes"}, "answer-type"),
        (question("choice", answerOption=[{"valueCoding": COUGH}]), {"valueCoding": COUGH},
         {"valueCoding": FEVER}, "answer-option"),
        (question("open-choice", answerOption=[{"valueCoding": COUGH}]), {"valueString": "other"},
         {"valueCoding": FEVER}, "answer-option"),
        (question("time", answerOption=[{"valueTime": "07:00:00"}]), {"valueTime": "07:00:00"},
         {"valueTime": "08:00:00"}, "answer-option"),
        (question("choice", answerValueSet="http://hl7.org/fhir/ValueSet/administrative-gender"),
         {"valueCoding": {"system": "http://hl7.org/fhir/administrative-gender", "code": "male"}},
         {"valueCoding": COUGH}, "answer-value-set"),
        (limited("integer", minValue=("Integer", 3)), {"valueInteger": 3}, {"valueInteger": 2},
         "min-value"),
        (limited("decimal", maxValue=("Decimal", Decimal("1.5"))),
         {"valueDecimal": Decimal("1.50")},
         {"valueDecimal": Decimal("1.51")}, "max-value"),
        (limited("date", minValue=("Date", "2031")), {"valueDate": "2031"},
         {"valueDate": "2030-12"},
         "min-value"),
        (limited("decimal", maxDecimalPlaces=("Integer", 1)), {"valueDecimal": Decimal("1.5")},
         {"valueDecimal": Decimal("1.50")}, "max-decimal-places"),
        (question("string", maxLength=3), {"valueString": "abc"}, {"valueString": "abcd"},
         "max-length"),
        (limited("string", minLength=("Integer", 2)), {"valueString": "ab"}, {"valueString": "a"},
         "min-length"),
        (limited("string", regex=("String", "[0-9]+")), {"valueString": "12"},
         {"valueString": "12a"}, "regex"),
        (limited("attachment", mimeType=("Code", "image/png")),
         {"valueAttachment": {"contentType": "image/png"}},
         {"valueAttachment": {"contentType": "image/gif"}}, "mime-type"),
        (limited("quantity", questionnaire_unitOption=("Coding", {
            "system": "http://unitsofmeasure.org", "code": "min"})),
         {"valueQuantity": {"value": 5, "system": "http://unitsofmeasure.org", "code": "min"}},
         {"valueQuantity": {"value": 5, "system": "http://unitsofmeasure.org", "code": "h"}},
         "unit"),
        (limited("reference", questionnaire_referenceResource=("Code", "Patient")),
         {"valueReference": {"reference": "Patient/1"}},
         {"valueReference": {"reference": "Goal/1"}},
         "reference-target"),
    ],
)  # fmt: skip
def test_an_answer(
    asked: dict[str, Any], right: dict[str, Any], wrong: dict[str, Any], key: str
) -> None:
    form = questionnaire(asked)
    assert judged(form, item("q", right)) == []
    assert keys(judged(form, item("q", wrong))) == [
        (key, "QuestionnaireResponse.item[0].answer[0]")
    ]


NESTED = questionnaire(
    question("group", "g", item=[question("string", "a", required=True), question("string", "b")]),
    question("display", "d"),
)
A = item("a", {"valueString": "x"})
B = item("b", {"valueString": "y"})


@pytest.mark.parametrize(
    ("items", "status", "expected"),
    [
        ([item("g", item=[A, B])], "completed", []),
        ([item("g", item=[B])], "completed", [("item-required", "QuestionnaireResponse.item[0]")]),
        ([item("g", item=[B])], "in-progress", []),
        ([item("g", item=[B, A])], "completed",
         [("item-order", "QuestionnaireResponse.item[0].item[1]")]),
        ([A], "in-progress", [("item-place", "QuestionnaireResponse.item[0]")]),
        ([item("z")], "in-progress", [("item-unknown", "QuestionnaireResponse.item[0]")]),
        ([item("g", item=[A]), item("g", item=[A])], "completed",
         [("item-repeats", "QuestionnaireResponse.item[1]")]),
        ([item("d", {"valueString": "x"})], "in-progress",
         [("item-answers", "QuestionnaireResponse.item[0]")]),
        ([item("g", item=[item("a", {"valueString": "x"}, {"valueString": "y"})])], "completed",
         [("answer-repeats", "QuestionnaireResponse.item[0].item[0]")]),
    ],
)  # fmt: skip
def test_items(items: list[dict[str, Any]], status: str, expected: list[tuple[str, str]]) -> None:
    assert keys(judged(NESTED, *items, status=status)) == expected


def test_an_option_that_stands_alone() -> None:
    none = {"url": f"{HL7}/questionnaire-optionExclusive", "valueBoolean": True}
    form = questionnaire(question("choice", repeats=True, answerOption=[
        {"valueCoding": COUGH}, {"valueCoding": FEVER, "extension": [none]}]))  # fmt: skip
    assert judged(form, item("q", {"valueCoding": FEVER})) == []
    both = item("q", {"valueCoding": COUGH}, {"valueCoding": FEVER})
    assert keys(judged(form, both)) == [
        ("answer-exclusive", "QuestionnaireResponse.item[0].answer[1]")
    ]


def follow_up(operator: str, answer: dict[str, Any], **more: Any) -> dict[str, Any]:
    condition = {"question": "n", "operator": operator} | answer
    return questionnaire(
        question("integer", "n"),
        question("string", "why", required=True, enableWhen=[condition], **more),
    )


@pytest.mark.parametrize(
    ("operator", "wanted", "number", "enabled"),
    [
        ("=", {"answerInteger": 3}, 3, True), ("=", {"answerInteger": 3}, 4, False),
        ("!=", {"answerInteger": 3}, 4, True), ("!=", {"answerInteger": 3}, 3, False),
        (">", {"answerInteger": 3}, 4, True), (">", {"answerInteger": 3}, 3, False),
        ("<=", {"answerInteger": 3}, 3, True), ("<", {"answerInteger": 3}, 3, False),
        (">=", {"answerInteger": 3}, 2, False), ("exists", {"answerBoolean": True}, 1, True),
        ("exists", {"answerBoolean": False}, 1, False),
    ],
)  # fmt: skip
def test_a_question_is_asked_when_its_condition_is_met(
    operator: str, wanted: dict[str, Any], number: int, enabled: bool
) -> None:
    form = follow_up(operator, wanted)
    number_item = item("n", {"valueInteger": number})
    unanswered = [("item-required", "QuestionnaireResponse")] if enabled else []
    assert keys(judged(form, number_item)) == unanswered
    answered = [] if enabled else [("item-disabled", "QuestionnaireResponse.item[1]")]
    assert keys(judged(form, number_item, item("why", {"valueString": "x"}))) == answered


def test_each_repetition_of_a_group_answers_for_itself() -> None:
    condition = [{"question": "n", "operator": "=", "answerBoolean": True}]
    form = questionnaire(question("group", "g", repeats=True, item=[
        question("boolean", "n"), question("string", "why", enableWhen=condition)]))  # fmt: skip
    why = item("why", {"valueString": "x"})
    groups = [item("g", item=[item("n", {"valueBoolean": yes}), why]) for yes in (True, False)]
    assert keys(judged(form, *groups)) == [
        ("item-disabled", "QuestionnaireResponse.item[1].item[1]")
    ]


@pytest.mark.parametrize("asked", ["nowhere", "g", "inner"])
def test_a_condition_asks_about_another_question(asked: str) -> None:
    condition = [{"question": asked, "operator": "exists", "answerBoolean": True}]
    inner = question("string", "inner")
    form = questionnaire(question("group", "g", enableWhen=condition, item=[inner]))
    findings = serious(Validator(Definitions()).validate(form))
    assert keys(findings) == [("enable-when", "Questionnaire.item[0]")]


def test_a_questionnaire_that_is_not_known_is_not_checked() -> None:
    response = {
        "resourceType": "QuestionnaireResponse",
        "questionnaire": URL,
        "status": "completed",
    }
    assert serious(Validator(Definitions()).validate(response)) == []


@pytest.mark.parametrize("status", [[], {}, None, 1])
def test_a_status_that_is_no_code_is_told_and_not_taken_for_finished(status: Any) -> None:
    asked = questionnaire(question("string", required=True))
    assert "item-required" not in keys(judged(asked, status=status))
    assert judged(asked, status=status)
