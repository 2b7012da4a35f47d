"""Precautions against what a child's safety screen, diagnoses and age say: each firing and not.

The lists below are written from the sources, not from the data that they are held against.
"""

from typing import Any

import pytest
from trade_examples import programme

from service.programme.base import Coded
from service.programme.catalogue import TECHNIQUES
from service.programme.checks import KnownChild, Policy, Problem, check_programme
from service.programme.plan import Screen
from service.programme.precautions import PRECAUTIONS

# AARC guideline on positive airway pressure adjuncts, Respir Care 1993;38:516, as reproduced on a
# device-information page: eleven items for positive expiratory pressure of every kind.
AARC_1993 = [
    "untreated-pneumothorax", "raised-intracranial-pressure", "unstable-circulation",
    "active-haemoptysis", "head-surgery-or-injury", "acute-sinusitis", "nosebleed",
    "oesophageal-surgery", "nausea", "middle-ear-disease", "work-of-breathing",
]  # fmt: skip
BLOCKING: dict[str, list[str]] = {
    # chest pain: common practice, a session is stopped for it
    "pep": [*AARC_1993, "chest-pain"],
    "high-pressure-pep": [*AARC_1993, "chest-pain"],
    # page of a Canadian centre for adults: not while very breathless, either
    "opep": [*AARC_1993, "very-breathless", "chest-pain"],
    "acbt": ["chest-pain"],
    "huff": ["chest-pain"],
    # policy page of a US insurer: relative
    "mi-e": ["lung-bullae", "air-leak-risk", "pressure-injury"],
}
NOTED: dict[str, list[str]] = {
    # common practice: relaxed breathing between sets of huffs
    "acbt": ["bronchospasm", "stress-incontinence"],
    "huff": ["bronchospasm", "stress-incontinence"],
    # Australian physiotherapists' page on infants
    "postural-drainage": ["reflux"],
}
# From memory and not verified: off until a clinic turns them on.
OFF: dict[str, list[str]] = {
    "postural-drainage": [
        "rib-fracture", "low-bone-density", "low-platelets", "burns-or-wounds", "bronchospasm",
    ],
    "hfcwo": [
        "head-or-neck-instability", "bleeding-with-instability", "chest-wall-wound",
        "spinal-surgery", "implanted-device-or-line",
    ],
    "exercise": [
        "fever-or-illness", "falling-saturation", "exercise-asthma", "spleen-or-varices",
        "dehydration-in-heat",
    ],
}  # fmt: skip
DOSES: dict[str, Any] = {
    "mi-e": {
        "insufflation": {"pressure": 30, "seconds": 2},
        "exsufflation": {"pressure": -35, "seconds": 2},
        "breathsPerSet": 5,
        "sets": 4,
    },
    "huff": {"huffs": 3},
}


def pairs(table: dict[str, list[str]]) -> list[tuple[str, str]]:
    return [(technique, code) for technique, codes in table.items() for code in codes]


def prescribed(technique: str, screen: Any = None, **changes: Any) -> Any:
    """A programme of that one technique, for a child of eight."""
    regimen = {"key": "only", "technique": technique, "healthState": "any"}
    regimen["dose"] = DOSES.get(technique, {"minutes": 20})
    return programme(regimen=[regimen], device=[], diagnosis=[], **changes) | (
        {"screen": screen} if screen else {}
    )


def screen(date: str = "2031-02-27", **answers: str) -> Any:
    asked = {code.replace("_", "-"): answer for code, answer in answers.items()}
    return {"date": date, "by": {"name": {"text": "Ash Birch"}}, "answer": asked}


def said(problems: tuple[Problem, ...]) -> list[tuple[str, str, str]]:
    return [(one.kind, one.path, one.key) for one in problems]


def of(precaution: str, kind: str = "caution") -> tuple[str, str, str]:
    return kind, "Programme.regimen[0].technique", f"precaution-{precaution}"


@pytest.mark.parametrize(("technique", "code"), pairs(BLOCKING))
def test_a_yes_refuses_until_somebody_answers_for_it(technique: str, code: str) -> None:
    raw = prescribed(technique, screen(**{code: "yes"}))
    checked = check_programme(raw)
    assert checked.value is None
    assert said(checked.problems) == [of(code)]
    (problem,) = checked.problems
    assert problem.found == "yes in the safety screen of 2031-02-27"
    assert problem.source
    override = {
        "caution": f"precaution-{code}",
        "regimen": "only",
        "author": "Ash Birch",
        "reason": "Weighed with the surgeon",
    }
    accepted = check_programme(raw | {"override": [override]})
    assert accepted.problems == ()
    assert said(accepted.accepted) == [of(code)]
    assert accepted.value is not None
    assert accepted.value.override[0].reason == "Weighed with the surgeon"


@pytest.mark.parametrize(("technique", "code"), pairs(BLOCKING))
@pytest.mark.parametrize("answer", ["no", "unknown"])
def test_no_and_unknown_refuse_nothing(technique: str, code: str, answer: str) -> None:
    checked = check_programme(prescribed(technique, screen(**{code: answer})))
    assert checked.problems == ()
    left_open = [one.found for one in checked.warnings if one.key == "screen-unknown"]
    assert any(code in found.split(", ") for found in left_open) == (answer == "unknown")


@pytest.mark.parametrize(("technique", "code"), pairs(NOTED))
def test_what_is_only_noted_is_said_and_refuses_nothing(technique: str, code: str) -> None:
    checked = check_programme(prescribed(technique, screen(**{code: "yes"})))
    assert checked.problems == ()
    assert of(code, "warning") in said(checked.warnings)
    silent = check_programme(prescribed(technique, screen(**{code: "no"})))
    assert of(code, "warning") not in said(silent.warnings)


@pytest.mark.parametrize(("technique", "code"), pairs(OFF))
def test_what_is_not_verified_is_off_until_the_clinic_turns_it_on(
    technique: str, code: str
) -> None:
    raw = prescribed(technique, screen(**{code: "yes"}))
    off = check_programme(raw)
    assert off.problems == ()
    assert not [one for one in off.warnings if code in one.key]
    on = check_programme(raw, policy=Policy(precautions={code: "blocking"}))
    assert said(on.problems) == [of(code)]
    assert "from memory" in str(on.problems[0].source)


def test_the_lists_leave_out_no_precaution_and_no_technique() -> None:
    listed = {code for table in (BLOCKING, NOTED, OFF) for _, code in pairs(table)}
    assert listed | {"young-age"} == set(PRECAUTIONS)
    found = {
        (technique, one.code)
        for one in PRECAUTIONS.values()
        for use in one.uses
        for technique in use.techniques
        if use.below_age is None
    }
    assert found == {pair for table in (BLOCKING, NOTED, OFF) for pair in pairs(table)}
    assert len(AARC_1993) == 11


def test_a_precaution_bears_on_a_technique_in_one_way_and_has_a_source() -> None:
    for one in PRECAUTIONS.values():
        techniques = [technique for use in one.uses for technique in use.techniques]
        assert len(set(techniques)) == len(techniques)
        assert set(techniques) <= set(TECHNIQUES)
        assert all(use.source for use in one.uses)
        for use in one.uses:
            assert ("from memory" in use.source) == (use.standing == "unverified")


def test_a_clinic_may_note_a_precaution_or_leave_it_out() -> None:
    raw = prescribed("pep", screen(nausea="yes"))
    noted = check_programme(raw, policy=Policy(precautions={"nausea": "note"}))
    assert noted.problems == ()
    assert of("nausea", "warning") in said(noted.warnings)
    out = check_programme(raw, policy=Policy(precautions={"nausea": "off"}))
    assert "nausea" not in str(out.problems + out.warnings)


# -- age ----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("born", "age", "fires"),
    [
        ("2029-03-04", 1, True),  # two years old the day after the start
        ("2029-03-03", 2, False),  # on the day of the start
        ("2029-03", 1, True),  # a month: the youngest age that it allows
        ("2029-02", 2, False),
    ],
)
def test_an_age_that_the_clinic_sets_holds_up_to_the_birthday(
    born: str, age: int, fires: bool
) -> None:
    raw = prescribed("hfcwo")
    raw["child"]["birthDate"] = born
    assert check_programme(raw).problems == ()
    checked = check_programme(raw, policy=Policy(minimum_age={"hfcwo": 2}))
    assert said(checked.problems) == ([of("young-age")] if fires else [])
    if fires:
        assert checked.problems[0].found == f"a child of {age}"
        assert checked.problems[0].source == "the clinic's own policy"


def test_a_child_of_unknown_age_is_not_called_young() -> None:
    raw = prescribed("hfcwo")
    del raw["child"]["birthDate"]
    assert check_programme(raw, policy=Policy(minimum_age={"hfcwo": 2})).problems == ()


@pytest.mark.parametrize(("born", "fires"), [("2019-03-04", True), ("2019-03-03", False)])
def test_autogenic_drainage_below_twelve_is_noted(born: str, fires: bool) -> None:
    """Patient-education text from the USA, 2006: 12 years and over."""
    raw = prescribed("autogenic-drainage")
    raw["child"]["birthDate"] = born
    checked = check_programme(raw)
    assert checked.problems == ()
    assert (of("young-age", "warning") in said(checked.warnings)) == fires


# -- diagnoses ----------------------------------------------------------------------------------

REFLUX = {"text": "reflux", "system": "http://snomed.info/sct", "code": "235595009"}
OSTEOPOROSIS = {"text": "thin bones", "system": "http://snomed.info/sct", "code": "64859006"}
LEAK = {"text": "air leak", "system": "https://clinic.example/problems", "code": "air-leak"}


def test_a_coded_diagnosis_says_it_too() -> None:
    raw = prescribed("postural-drainage") | {"diagnosis": [{"condition": REFLUX}]}
    assert of("reflux", "warning") in said(check_programme(raw).warnings)
    known = KnownChild(diagnosis=(Coded.model_validate(OSTEOPOROSIS),))
    on = Policy(precautions={"low-bone-density": "blocking"})
    checked = check_programme(prescribed("postural-drainage"), policy=on, known=known)
    assert said(checked.problems) == [of("low-bone-density")]
    assert checked.problems[0].found == "the diagnosis http://snomed.info/sct|64859006"


def test_the_clinic_says_which_diagnoses_mean_a_precaution() -> None:
    raw = prescribed("pep") | {"diagnosis": [{"condition": LEAK}]}
    assert check_programme(raw).problems == ()
    means = {"untreated-pneumothorax": frozenset({(LEAK["system"], LEAK["code"])})}
    checked = check_programme(raw, policy=Policy(says_precaution=means))
    assert said(checked.problems) == [of("untreated-pneumothorax")]


def test_a_no_in_the_screen_does_not_take_back_a_diagnosis() -> None:
    raw = prescribed("pep", screen(untreated_pneumothorax="no"))
    raw |= {"diagnosis": [{"condition": LEAK}]}
    means = {"untreated-pneumothorax": frozenset({(LEAK["system"], LEAK["code"])})}
    checked = check_programme(raw, policy=Policy(says_precaution=means))
    assert said(checked.problems) == [of("untreated-pneumothorax")]


def test_words_are_no_finding() -> None:
    raw = prescribed("pep", note=["pneumothorax last week?"])
    raw |= {"diagnosis": [{"condition": {"text": "untreated pneumothorax"}}]}
    assert check_programme(raw).problems == ()


# -- which screen holds -------------------------------------------------------------------------


def recorded(date: str, **answers: str) -> KnownChild:
    return KnownChild(screens=(Screen.model_validate(screen(date, **answers)),))


@pytest.mark.parametrize(
    ("in_document", "in_record", "fires"),
    [
        (None, ("2031-02-01", "yes"), True),
        (None, ("2031-02-01", "no"), False),
        (("2031-02-27", "no"), ("2031-02-01", "yes"), False),  # asked again since
        (("2031-02-27", "unknown"), ("2031-02-01", "yes"), True),  # nobody took it back
        (("2031-02-01", "no"), ("2031-02-27", "yes"), True),  # the record knows more
        (("2031-02-27", "yes"), ("2031-02-28", "no"), False),
        (("2031-02-27", "no"), ("2031-02-27", "yes"), True),  # which came first is not known
        (("2031-02-27T11:00:00Z", "no"), ("2031-02-27T10:00:00Z", "yes"), False),
    ],
)
def test_a_yes_stands_until_a_later_no(
    in_document: tuple[str, str] | None, in_record: tuple[str, str], fires: bool
) -> None:
    own = screen(in_document[0], nosebleed=in_document[1]) if in_document else None
    known = recorded(in_record[0], nosebleed=in_record[1])
    checked = check_programme(prescribed("pep", own), known=known)
    assert said(checked.problems) == ([of("nosebleed")] if fires else [])


def test_no_screen_is_said_once_and_refuses_nothing() -> None:
    checked = check_programme(prescribed("pep"))
    assert checked.problems == ()
    assert said(checked.warnings) == [("warning", "Programme.screen", "screen-missing")]
    exercise = check_programme(prescribed("exercise"))
    assert exercise.warnings == (), "nothing that is on is asked before exercise"


def test_a_clinic_may_demand_a_screen() -> None:
    strict = Policy(require_screen=True)
    checked = check_programme(prescribed("pep"), policy=strict)
    place = "Programme.regimen[0].technique"
    assert said(checked.problems) == [("caution", place, "screen-missing")]
    override = {"caution": "screen-missing", "regimen": "only", "author": "A", "reason": "Urgent"}
    assert (
        check_programme(prescribed("pep") | {"override": [override]}, policy=strict).problems == ()
    )
    known = recorded("2031-02-01", nausea="no")
    assert check_programme(prescribed("pep"), policy=strict, known=known).problems == ()


def test_a_programme_may_be_held_for_what_a_screen_says() -> None:
    raw = prescribed("pep", screen(untreated_pneumothorax="yes"), status="on-hold")
    checked = check_programme(raw)
    assert checked.problems == ()
    assert of("untreated-pneumothorax", "warning") in said(checked.warnings)


def test_every_technique_of_a_programme_is_held_against_it() -> None:
    raw = programme(screen=screen(nausea="yes"), diagnosis=[])
    raw["regimen"].append(raw["regimen"][0] | {"key": "pep", "technique": "pep", "place": ["home"]})
    assert [one.path for one in check_programme(raw).problems] == [
        "Programme.regimen[0].technique",
        "Programme.regimen[2].technique",
    ]


@pytest.mark.parametrize(
    ("wrong", "found"),
    [
        ({"date": "2031-02-27"}, [("by", "missing"), ("answer", "missing")]),
        ({"reference": "QuestionnaireResponse/1", "date": "2031-02-27"},
         [("date", "reference-and-description")]),
        (screen() | {"answer": {"owns-a-dog": "no"}}, [("answer", "unknown-precaution")]),
        (screen() | {"answer": {"young-age": "no"}}, [("answer", "unknown-precaution")]),
        (screen(nausea="perhaps"), [("answer.nausea", "unknown-code")]),
        (screen(nausea="no") | {"by": {"role": "x"}}, [("by", "who-it-is")]),
    ],
)  # fmt: skip
def test_what_is_wrong_with_a_screen_is_named(wrong: Any, found: list[tuple[str, str]]) -> None:
    problems = check_programme(prescribed("pep", wrong)).problems
    assert [(one.path, one.key) for one in problems] == [
        (f"Programme.screen{'.' if place else ''}{place}", key) for place, key in found
    ]


def test_the_order_of_the_answers_says_nothing() -> None:
    one = Screen.model_validate(screen(nausea="no", nosebleed="yes"))
    assert list(one.answer) == ["nosebleed", "nausea"], "as the form asks"
