"""The definitions of the safety rules as they follow from the table.

``python tests/safety_definitions.py`` writes them to ``profiles/``; a test holds the files to them.
"""

import json
from typing import Any

from profile_files import BASE

from service.programme.safety import DEFAULT_POLICY, RULES, Rule
from service.resources import profiles_dir

_ABOUT: dict[str, Any] = {
    "version": "0.1.0",
    "status": "draft",
    "experimental": False,
    "date": "2026-11-25",
    "publisher": "Airway programmes project",
}
_SYSTEM = f"{BASE}/CodeSystem/airway-safety-rule"
_PRIORITY = {"emergency": "stat", "urgent": "urgent", "same-day": "asap", "routine": "routine"}
_PURPOSE = (
    "A starting point for the clinical lead, who may switch each rule off and set its numbers. A "
    "rule tells a team of something to look at; it is no diagnosis and changes no prescription."
)


def code_system() -> dict[str, Any]:
    """One concept for each rule, with how urgent it is and how well its source stands."""
    return {
        "resourceType": "CodeSystem",
        "id": "airway-safety-rule",
        "url": _SYSTEM,
        "name": "AirwaySafetyRule",
        "title": "Safety rule",
        **_ABOUT,
        "description": "The rules by which logs and plans are looked through.",
        "purpose": _PURPOSE,
        "caseSensitive": True,
        "valueSet": f"{BASE}/ValueSet/airway-safety-rule",
        "compositional": False,
        "versionNeeded": False,
        "content": "complete",
        "count": len(RULES),
        "property": [
            _property("urgency", "How soon the team looks: emergency, urgent, same-day, routine."),
            _property("standing", "How well its source stands."),
        ],
        "concept": [_concept(rule) for rule in RULES.values()],
    }


def value_set() -> dict[str, Any]:
    """All codes of the code system."""
    return {
        "resourceType": "ValueSet",
        "id": "airway-safety-rule",
        "url": f"{BASE}/ValueSet/airway-safety-rule",
        "name": "AirwaySafetyRule",
        "title": "Safety rule",
        **_ABOUT,
        "description": "All codes of the code system of the same name.",
        "purpose": _PURPOSE,
        "compose": {"include": [{"system": _SYSTEM}]},
    }


def plan_definition() -> dict[str, Any]:
    """One action for each rule: what raises it, what is said to do, and the source."""
    return {
        "resourceType": "PlanDefinition",
        "id": "airway-safety",
        "url": f"{BASE}/PlanDefinition/airway-safety",
        "name": "AirwaySafety",
        "title": "Safety rules of a home programme",
        **_ABOUT,
        "type": {
            "coding": [
                {
                    "system": "http://terminology.hl7.org/CodeSystem/plan-definition-type",
                    "code": "eca-rule",
                }
            ]
        },
        "description": "What in a child's logs and plan a clinician should look at. A rule that "
        "holds gives a DetectedIssue with its evidence and a Task for the team. Nobody watches: "
        "what comes from a session log is found when the log comes in, everything else when the "
        "question is asked. Days without a log are never a sign.",
        "purpose": _PURPOSE,
        "action": [_action(rule) for rule in RULES.values()],
    }


def _property(code: str, description: str) -> dict[str, str]:
    return {"code": code, "description": description, "type": "string"}


def _concept(rule: Rule) -> dict[str, Any]:
    return {
        "code": rule.code,
        "display": rule.title,
        "definition": f"Raised by anything but: {rule.expected_at_first()}.",
        "property": [
            {"code": "urgency", "valueString": rule.urgency},
            {"code": "standing", "valueString": rule.source.standing},
        ],
    }


def _action(rule: Rule) -> dict[str, Any]:
    off = "" if DEFAULT_POLICY.holds(rule.code) else " Off until a clinic decides."
    told = {"type": "citation", "citation": f"{rule.source.text}."}
    return {
        "title": rule.title,
        "description": f"Raised by anything but: {rule.expected_at_first()}.{off}",
        "textEquivalent": rule.advice,
        "priority": _PRIORITY[rule.urgency],
        "code": [{"coding": [{"system": _SYSTEM, "code": rule.code, "display": rule.title}]}],
        "documentation": [told | ({"url": rule.source.uri} if rule.source.uri else {})],
    }


if __name__ == "__main__":
    made = {
        "codesystems/airway-safety-rule": code_system(),
        "valuesets/airway-safety-rule": value_set(),
        "plandefinitions/airway-safety": plan_definition(),
    }
    for name, resource in made.items():
        file = profiles_dir() / f"{name}.json"
        file.parent.mkdir(exist_ok=True)
        text = json.dumps(resource, indent=2, ensure_ascii=False)
        file.write_text(f"{text}\n", encoding="utf-8")
