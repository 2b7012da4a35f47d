"""PlanDefinition and code system of the safety rules say what the table of the rules says."""

from profile_files import accepted_by_others, definitions, our_validator
from safety_definitions import code_system, plan_definition, value_set

from service.programme.safety import RULES


def test_the_definitions_follow_from_the_table() -> None:
    """After a change of the table: ``python tests/safety_definitions.py``."""
    assert definitions("codesystems")["airway-safety-rule"] == code_system()
    assert definitions("valuesets")["airway-safety-rule"] == value_set()
    assert definitions("plandefinitions")["airway-safety"] == plan_definition()


def test_the_plan_definition_is_sound() -> None:
    plan = plan_definition()
    accepted_by_others(plan)
    told = our_validator().validate(plan)
    assert [one.key for one in told if one.severity != "information"] == []


def test_every_rule_is_an_action_with_its_thresholds_and_source() -> None:
    actions = {
        action["code"][0]["coding"][0]["code"]: action for action in plan_definition()["action"]
    }
    assert set(actions) == set(RULES)
    assert "less than 5 mL" in actions["blood-more"]["description"]
    assert "240 mL in any 24 hours" in actions["blood-massive"]["description"]
    assert actions["oxygen-low"]["documentation"][0]["url"] == RULES["oxygen-low"].source.uri
    assert actions["sputum-darker"]["description"].endswith("Off until a clinic decides.")
    assert actions["chest-pain"]["priority"] == "stat"
