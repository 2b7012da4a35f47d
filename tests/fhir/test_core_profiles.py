"""The profiles and extensions of the R4 core, as the committed tables have them.

Source: the vital-signs profiles of R4 (observation-vitalsigns.html), and the examples of the
specification that claim them, in the reference data beside the checkout.
"""

from typing import Any

from profile_builder import HL7, keys
from serious import serious
from shared_data import shared

from service.fhir.definitions import Definitions
from service.fhir.json import read
from service.fhir.outcome import has_errors
from service.fhir.r4 import tables
from service.fhir.validation import Validator
from service.fhir.validation.profiles import Profiles

VALIDATOR = Validator(Definitions())


def test_every_one_of_them_can_be_applied() -> None:
    profiles = Profiles(Definitions(), rest=False)
    refused = {url: profiles.reason(url) for url in tables.profiles() if profiles.get(url) is None}
    assert refused == {}
    assert len(tables.profiles()) > 400


def test_the_published_vital_signs_meet_their_profiles() -> None:
    checked = 0
    for file in sorted(shared("conformance/examples").glob("Observation-*.json")):
        resource = read(file.read_bytes())
        if f"{HL7}/vitalsigns" in resource.get("meta", {}).get("profile", []):
            findings = VALIDATOR.validate(resource)
            assert not has_errors(findings), file.name
            assert "profile-unknown" not in {finding.key for finding in findings}
            checked += 1
    assert checked >= 10


def pressure(**more: Any) -> dict[str, Any]:
    def part(code: str, value: int) -> dict[str, Any]:
        quantity = {"value": value, "unit": "mmHg", "system": "http://unitsofmeasure.org",
                    "code": "mm[Hg]"}  # fmt: skip
        return {"code": {"coding": [{"system": "http://loinc.org", "code": code}]},
                "valueQuantity": quantity}  # fmt: skip

    category = "http://terminology.hl7.org/CodeSystem/observation-category"
    return {
        "resourceType": "Observation", "status": "final",
        "category": [{"coding": [{"system": category, "code": "vital-signs"}]}],
        "code": {"coding": [{"system": "http://loinc.org", "code": "85354-9"}]},
        "subject": {"reference": "Patient/p"}, "effectiveDateTime": "2031-03-09",
        "component": [part("8480-6", 107), part("8462-4", 60)],
    } | more  # fmt: skip


def test_blood_pressure() -> None:
    """Two slices of a profile on a profile: both parts have to be there, in mm[Hg]."""
    asked = [f"{HL7}/bp"]
    good = pressure()
    assert serious(VALIDATOR.validate(good, asked)) == []
    one = pressure(component=good["component"][:1])
    assert ("cardinality-min", "Observation") in keys(serious(VALIDATOR.validate(one, asked)))
    good["component"][1]["valueQuantity"]["code"] = "kPa"
    assert ("fixed", "Observation.component[1].value.code") in keys(
        serious(VALIDATOR.validate(good, asked))
    )
