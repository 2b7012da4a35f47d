"""Safety findings as resources: a DetectedIssue with its evidence, and a Task for the team.

There is one of each for a child, a rule and what it is about, for good: both have the same
identifier, and ids made from it, so that nothing can be told twice. What others added to either,
above all the answer of a clinician (``mitigation``), is carried from version to version.
"""

import hashlib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime
from types import MappingProxyType

from service.fhir.json import JsonObject
from service.mapping.canonical import code_system, identifier_system
from service.mapping.references import carried, pointing, target_of
from service.programme.safety import RULES, Evidence, EvidenceKind, Rule, SafetyFinding, Urgency

SAFETY_FINDING = identifier_system("safety-finding")
RULE_SYSTEM = code_system("airway-safety-rule")

_SEVERITY: Mapping[Urgency, str] = MappingProxyType(
    {"emergency": "high", "urgent": "high", "same-day": "moderate", "routine": "low"}
)
_PRIORITY: Mapping[Urgency, str] = MappingProxyType(
    {"emergency": "stat", "urgent": "urgent", "same-day": "asap", "routine": "routine"}
)
_TYPE: Mapping[EvidenceKind, str] = MappingProxyType(
    {"session": "Observation", "health-state": "Observation", "programme": "CarePlan"}
)
SETTLED = frozenset({"completed", "cancelled", "rejected", "failed", "entered-in-error"})
"""Status of a Task that nobody has to do any more."""
_NOT_BEGUN = frozenset({"draft", "requested", "received"})


@dataclass(frozen=True, slots=True)
class Told:
    """Evidence as a DetectedIssue keeps it: ``Type/id``, version, and what it tells."""

    target: str
    version: int
    text: str


@dataclass(frozen=True, slots=True)
class Subject:
    """The child that a finding is about: its Patient's id; and a Reference to the team that looks
    after the child."""

    patient_id: str
    team: JsonObject | None = None

    def name_of(self, rule: str, about: str) -> str:
        """The identifier that the finding and its task share."""
        return f"{self.patient_id}|{rule}|{about}"


def id_of(name: str) -> str:
    """The id of both resources of that identifier."""
    return hashlib.sha256(name.encode()).hexdigest()[:32]


def name_in(issue: JsonObject) -> str | None:
    """The identifier of a finding of ours; None for another DetectedIssue."""
    named = (one for one in issue.get("identifier", []) if one.get("system") == SAFETY_FINDING)
    return next((one.get("value") for one in named), None)


def told_in(issue: JsonObject) -> list[Told]:
    """The evidence of a stored finding; what others wrote there in another form is passed over."""
    return [
        found
        for evidence in issue.get("evidence", [])
        for reference in evidence.get("detail", [])
        if (found := _told(evidence, reference)) is not None
    ]


def told_of(evidence: Evidence) -> Told:
    """The same of new evidence."""
    return Told(f"{_TYPE[evidence.kind]}/{evidence.id}", evidence.version, evidence.found)


def issue_of(finding: SafetyFinding, subject: Subject, earlier: JsonObject | None) -> JsonObject:
    """The finding as it is now. ``earlier`` is the version before, of which others' parts stay."""
    rule = RULES[finding.rule]
    name = subject.name_of(finding.rule, finding.about)
    issue = carried("DetectedIssue", id_of(name), earlier)
    issue |= {
        "identifier": _identified(issue, name),
        "status": "final",
        "code": {"coding": [_coding(rule)], "text": rule.title},
        "severity": _SEVERITY[rule.urgency],
        "patient": pointing(issue.get("patient"), {"reference": f"Patient/{subject.patient_id}"}),
        "identifiedDateTime": finding.since.isoformat(),
        "evidence": evidence_of(told_of(one) for one in finding.evidence),
        "detail": _detail(rule, finding),
    }
    issue.pop("identifiedPeriod", None)
    issue.pop("reference", None)
    return issue | ({"reference": rule.source.uri} if rule.source.uri else {})


def with_evidence(issue: JsonObject, left: Iterable[Told]) -> JsonObject:
    """A stored finding with only that evidence left; without any it was found in error."""
    kept = evidence_of(left)
    return issue | ({"evidence": kept} if kept else {"status": "entered-in-error"})


def evidence_of(told: Iterable[Told]) -> list[JsonObject]:
    """``DetectedIssue.evidence``, each pointing to the version that tells it."""
    return [
        {
            "code": [{"text": one.text}],
            "detail": [{"reference": f"{one.target}/_history/{one.version}"}],
        }
        for one in told
    ]


def task_of(
    finding: SafetyFinding, subject: Subject, earlier: JsonObject | None, now: datetime
) -> JsonObject:
    """The request to the team to look at new evidence.

    One that was settled is requested again; one that somebody is at stays with them.
    """
    rule = RULES[finding.rule]
    name = subject.name_of(finding.rule, finding.about)
    task = carried("Task", id_of(name), earlier)
    settled = task.get("status", "completed") in SETTLED
    told = f"{rule.title}. Found: {finding.found}. {rule.advice}"
    task |= {
        "identifier": _identified(task, name),
        "status": "requested" if settled else task["status"],
        "intent": "order",
        "priority": _PRIORITY[rule.urgency],
        "code": {"coding": [_coding(rule)], "text": "Look at a safety finding"},
        "description": told,
        "focus": {"reference": f"DetectedIssue/{id_of(name)}"},
        "for": pointing(task.get("for"), {"reference": f"Patient/{subject.patient_id}"}),
        "authoredOn": task.get("authoredOn") or now.isoformat(),
        "lastModified": now.isoformat(),
    }
    if settled:
        task.pop("statusReason", None)
    if "owner" not in task and subject.team:
        task["owner"] = subject.team
    return task


def task_without_cause(task: JsonObject, now: datetime) -> JsonObject | None:
    """The task of a finding that was found in error; None where somebody is at it or was."""
    if task.get("status") not in _NOT_BEGUN:
        return None
    why = {"text": "What it rests on was entered in error or taken back."}
    return task | {"status": "cancelled", "statusReason": why, "lastModified": now.isoformat()}


def _told(evidence: JsonObject, reference: JsonObject) -> Told | None:
    target, _, version = target_of(reference).partition("/_history/")
    texts = [str(code["text"]) for code in evidence.get("code", []) if "text" in code]
    if not target or not version.isdecimal() or not texts:
        return None
    return Told(target, int(version), texts[0])


def _identified(resource: JsonObject, name: str) -> list[JsonObject]:
    others = [one for one in resource.get("identifier", []) if one.get("system") != SAFETY_FINDING]
    return [{"system": SAFETY_FINDING, "value": name}, *others]


def _coding(rule: Rule) -> JsonObject:
    return {"system": RULE_SYSTEM, "code": rule.code, "display": rule.title}


def _detail(rule: Rule, finding: SafetyFinding) -> str:
    times = len(finding.evidence)
    often = f" ({times} times)" if times > 1 else ""
    return (
        f"Found: {finding.found}{often}. Expected: {finding.expected}. {rule.advice} "
        f"Source: {rule.source.text} ({rule.source.standing}). "
        "This is no diagnosis; local policy and the clinician decide."
    )
