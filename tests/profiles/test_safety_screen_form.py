"""The form of the safety screen asks for every precaution of the catalogue that can be asked."""

from profile_files import BASE, definitions

from service.compose import build_validator
from service.programme.precautions import PRECAUTIONS

FORM = definitions("questionnaires")["airway-safety-screen"]


def test_each_question_is_that_of_its_precaution_and_in_their_order():
    asked = {item["linkId"]: item["text"] for item in FORM["item"]}
    assert asked == {code: one.question for code, one in PRECAUTIONS.items() if one.question}
    assert list(asked) == [code for code in PRECAUTIONS if code in asked]


def test_each_can_be_answered_by_yes_no_and_unknown_once():
    for item in FORM["item"]:
        assert item["type"] == "choice"
        assert item["answerValueSet"] == f"{BASE}/ValueSet/airway-screen-answer"
        assert (item["required"], item["repeats"]) == (False, False)
        assert item["code"] == [
            {"system": f"{BASE}/CodeSystem/airway-precaution", "code": item["linkId"]}
        ]


def test_the_form_meets_the_standard():
    assert [f for f in build_validator().validate(FORM) if f.severity != "information"] == []
