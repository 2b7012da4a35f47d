"""Names in the FHIR world: canonical URLs of ours, and the short names that the tables use."""

BASE = "https://airway-programmes.example/fhir"
"""Canonical base of everything we define (a reserved example domain)."""

SNOMED = "http://snomed.info/sct"
UCUM = "http://unitsofmeasure.org"

PROGRAMME = f"{BASE}/programme"
REGIMEN = f"{BASE}/regimen"
DEVICE = f"{BASE}/device"
GOAL = f"{BASE}/goal"
SESSION_DIGEST = f"{BASE}/session-digest"

_STANDARD_SYSTEMS = {
    "snomed": SNOMED,
    "loinc": "http://loinc.org",
    "bcp47": "urn:ietf:bcp:47",
    "data-absent-reason": "http://terminology.hl7.org/CodeSystem/data-absent-reason",
    "observation-category": "http://terminology.hl7.org/CodeSystem/observation-category",
    "condition-clinical": "http://terminology.hl7.org/CodeSystem/condition-clinical",
}


def extension_url(name: str) -> str:
    """URL of one of our extensions."""
    return f"{BASE}/StructureDefinition/{name}"


def identifier_system(name: str) -> str:
    """System of our identifiers for ``name`` (programme, regimen, device, goal)."""
    return f"{BASE}/{name}"


def code_system(name: str) -> str:
    """Canonical of a code system: a standard one by its short name, else one of ours."""
    return _STANDARD_SYSTEMS.get(name, f"{BASE}/CodeSystem/{name}")
