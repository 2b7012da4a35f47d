"""What this version of the validator leaves unchecked, so that it can be said and tested."""

NOT_CHECKED: dict[str, str] = {
    "age-1": "Age", "att-1": "Attachment",
    "bdl-1": "Bundle", "bdl-2": "Bundle", "bdl-3": "Bundle", "bdl-4": "Bundle",
    "bdl-5": "Bundle.entry", "bdl-7": "Bundle", "bdl-8": "Bundle.entry", "bdl-9": "Bundle",
    "bdl-10": "Bundle", "bdl-11": "Bundle", "bdl-12": "Bundle",
    "cnt-3": "Count", "con-1": "Condition.stage", "con-2": "Condition.evidence",
    "con-3": "Condition", "con-4": "Condition", "con-5": "Condition",
    "cpl-3": "CarePlan.activity", "cpt-2": "ContactPoint", "ctm-1": "CareTeam.participant",
    "dis-1": "Distance",
    "dom-2": "DomainResource", "dom-3": "DomainResource", "dom-4": "DomainResource",
    "dom-5": "DomainResource", "dom-6": "DomainResource",
    "drq-1": "DataRequirement.codeFilter", "drq-2": "DataRequirement.dateFilter",
    "drt-1": "Duration", "exp-1": "Expression", "gol-1": "Goal.target",
    "inv-1": "Parameters.parameter", "mea-0": "Measure", "mea-1": "Measure",
    "mrp-1": "MeasureReport", "mrp-2": "MeasureReport",
    "obs-3": "Observation.referenceRange", "obs-6": "Observation", "obs-7": "Observation",
    "org-1": "Organization", "org-2": "Organization.address", "org-3": "Organization.telecom",
    "pat-1": "Patient.contact", "per-1": "Period",
    "ppc-1": "Consent", "ppc-2": "Consent", "ppc-3": "Consent", "ppc-4": "Consent",
    "ppc-5": "Consent",
    "prr-1": "ServiceRequest", "rat-1": "Ratio", "ref-1": "Reference", "rng-2": "Range",
    "sev-1": "AuditEvent.entity",
    "tim-1": "Timing.repeat", "tim-2": "Timing.repeat", "tim-4": "Timing.repeat",
    "tim-5": "Timing.repeat", "tim-6": "Timing.repeat", "tim-7": "Timing.repeat",
    "tim-8": "Timing.repeat", "tim-9": "Timing.repeat", "tim-10": "Timing.repeat",
    "trd-1": "TriggerDefinition", "trd-2": "TriggerDefinition", "trd-3": "TriggerDefinition",
    "txt-1": "Narrative.div", "txt-2": "Narrative.div",
}  # fmt: skip
"""Constraints of R4 4.0.1 that are not evaluated, by key, with the element that states them.

Covers the resource types of the record, Bundle, Parameters, OperationOutcome, AuditEvent, Measure
and their datatypes. Of StructureDefinition, CodeSystem, ValueSet and OperationDefinition no
constraint is evaluated. Checked are ele-1, ext-1 and qty-3.
"""

CHECKED = frozenset({"ele-1", "ext-1", "qty-3"})
"""Constraints of the base standard that are checked."""
