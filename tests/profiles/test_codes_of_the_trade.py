"""Code systems hold exactly the codes of the documents and of the catalogue."""

from types import NoneType
from typing import Any, Literal, get_args, get_origin

import pytest
from profile_files import codes_of, definitions

from service.programme import catalogue, dose, log, plan, precautions, review
from service.programme.base import Document
from service.programme.checks import MESSAGES

CODE_SYSTEMS = definitions("codesystems")


def literals(annotation: Any) -> list[str]:
    """The values of the Literal inside an annotation."""
    if get_origin(annotation) is Literal:
        return list(get_args(annotation))
    parts = [part for part in get_args(annotation) if part not in (NoneType, Ellipsis)]
    return [value for part in parts for value in literals(part)]


FIELDS: dict[str, list[tuple[type[Document], str]]] = {
    "airway-health-state": [(plan.Regimen, "health_state")],
    "airway-unwell-rule": [(plan.Regimen, "unwell_rule")],
    "airway-position-use": [(plan.PositionAdvice, "use")],
    "airway-medicine-order": [(plan.MedicineOrder, "order")],
    "airway-place": [(plan.Regimen, "place")],
    "airway-dose-basis": [(dose.Dose, "basis")],
    "airway-setting-choice": [(dose.Setting, "chosen_by")],
    "airway-interface": [(dose.Interface, "kind")],
    "airway-care-task": [(plan.CareTask, "task")],
    "airway-recording": [(log.Session, "recorded_by")],
    "airway-outcome": [(log.Session, "outcome")],
    "airway-sputum-amount": [(log.Sputum, "amount")],
    "airway-sputum-colour": [(log.Sputum, "colour")],
    "airway-sputum-consistency": [(log.Sputum, "consistency")],
    "airway-blood": [(log.Blood, "seen")],
    "airway-clock": [(log.Session, "clock")],
    "airway-pause-reason": [(log.Pause, "reason")],
    "airway-screen-answer": [(plan.Screen, "answer")],
    "airway-step-result": [(review.ReviewStep, "shown")],
    "airway-review-method": [(review.TechniqueReview, "method")],
}

NAMES = {
    "airway-technique": {code: t.name for code, t in catalogue.TECHNIQUES.items()},
    "airway-position": dict(catalogue.POSITIONS),
    "airway-device-kind": dict(catalogue.DEVICE_KINDS),
    "airway-goal-measure": dict(catalogue.GOAL_MEASURES),
    "airway-review-step": dict(review.REVIEW_STEPS),
    "airway-caution": dict(precautions.ANSWERABLE),
    "airway-precaution": {
        code: f"{one.name[0].upper()}{one.name[1:]}"
        for code, one in precautions.PRECAUTIONS.items()
    },
}


@pytest.mark.parametrize("name", FIELDS)
def test_codes_are_the_values_that_documents_accept(name):
    for model, field in FIELDS[name]:
        accepted = literals(model.model_fields[field].annotation)
        assert accepted
        assert codes_of(CODE_SYSTEMS[name]) == accepted


def test_states_a_child_can_be_in_are_those_of_the_state_document():
    included = definitions("valuesets")["airway-observed-health-state"]["compose"]["include"][0]
    listed = [concept["code"] for concept in included["concept"]]
    assert listed == literals(log.HealthState.model_fields["state"].annotation)


@pytest.mark.parametrize("name", NAMES)
def test_codes_and_names_are_those_of_the_catalogue(name):
    shown = {concept["code"]: concept["display"] for concept in CODE_SYSTEMS[name]["concept"]}
    assert shown == NAMES[name]


def test_every_detail_of_a_session_has_its_component():
    held_elsewhere = {
        "id", "source", "child", "regimen", "start", "end", "recorded", "recorded_by",
        "performer", "sputum", "blood", "clock", "device_start",
    }  # fmt: skip
    details = {name for name in log.Session.model_fields if name not in held_elsewhere}
    details |= {f"sputum_{name}" for name in log.Sputum.model_fields}
    details |= {f"blood_{name}" for name in log.Blood.model_fields if name != "seen"} | {"blood"}
    details |= {"decided_by"}  # of a pause
    assert set(codes_of(CODE_SYSTEMS["airway-session-part"])) == {
        name.replace("_", "-") for name in details
    }


def test_dose_extension_has_exactly_the_parts_of_the_dose_document():
    parts = {
        element["sliceName"]
        for element in definitions("structuredefinitions")["dose"]["differential"]["element"]
        if element["path"] == "Extension.extension" and "sliceName" in element
    }
    assert parts == {name.replace("_", "-") for name in dose.Dose.model_fields}


def test_every_key_of_a_refusal_can_be_looked_up():
    concepts = CODE_SYSTEMS["airway-finding"]["concept"]
    listed = {concept["code"]: concept["definition"] for concept in concepts}
    for key, message in MESSAGES.items():
        assert listed[key] == f"{message[0].upper()}{message[1:]}."
