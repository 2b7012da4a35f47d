"""Rules of Bundles and references that R4 states in words (bundle.html, references.html)."""

from typing import Any

import pytest
from profile_builder import HL7, element, judged, keys, profile
from serious import serious

from service.fhir.definitions import Definitions
from service.fhir.outcome import Finding
from service.fhir.validation import Validator

VALIDATOR = Validator(Definitions())
BASE = "https://e.example/fhir"
UUID = "urn:uuid:0f2f2c4e-6a3e-4a77-9a3e-2f0f6f1d8a01"
PATIENT = {"resourceType": "Patient", "id": "p", "active": True}


def found(resource: dict[str, Any]) -> list[Finding]:
    return serious(VALIDATOR.validate(resource))


def at(resource: dict[str, Any], url: str | None = None, **more: Any) -> dict[str, Any]:
    address = url or f"{BASE}/{resource['resourceType']}/{resource['id']}"
    return {"fullUrl": address, "resource": resource} | more


def bundle(*entries: dict[str, Any], kind: str = "collection", **more: Any) -> dict[str, Any]:
    return {"resourceType": "Bundle", "type": kind, "entry": list(entries)} | more


def document(*entries: dict[str, Any]) -> dict[str, Any]:
    return bundle(
        *entries, kind="document", timestamp="2031-01-01T00:00:00Z",
        identifier={"system": "urn:x", "value": "1"},
    )  # fmt: skip


def composition(*references: str, **more: Any) -> dict[str, Any]:
    return {
        "resourceType": "Composition", "id": "c", "status": "final", "type": {"text": "t"},
        "date": "2031", "title": "t", "author": [{"reference": r} for r in references],
    } | more  # fmt: skip


@pytest.mark.parametrize(
    ("entry", "expected"),
    [
        (at(PATIENT), []),
        (at(PATIENT, UUID), []),
        ({"resource": PATIENT}, [("bundle-fullurl", "Bundle.entry[0]")]),
        (at(PATIENT, "Patient/p"), [("bundle-fullurl", "Bundle.entry[0].fullUrl")]),
        (at(PATIENT, f"{BASE}/Goal/p"), [("bundle-fullurl", "Bundle.entry[0]")]),
        (at(PATIENT, f"{UUID}x"), [("uuid-format", "Bundle.entry[0].fullUrl")]),
    ],
)
def test_each_entry_has_an_address_that_fits(
    entry: dict[str, Any], expected: list[tuple[str, str]]
) -> None:
    assert keys(found(bundle(entry))) == expected


def test_a_transaction_needs_no_addresses() -> None:
    request = {"method": "POST", "url": "Patient"}
    assert found(bundle({"resource": PATIENT, "request": request}, kind="transaction")) == []


def test_a_document_reaches_what_its_composition_names() -> None:
    practitioner = {"resourceType": "Practitioner", "id": "d", "active": True}
    assert found(document(at(composition("Practitioner/d")), at(practitioner))) == []
    lost = found(document(at(composition("Practitioner/d")), at(practitioner, UUID)))
    assert ("bundle-reference", "Bundle.entry[0].resource.author[0]") in keys(lost)
    alone = document(at(composition("Practitioner/d")), at(practitioner), at(PATIENT))
    assert keys(found(alone)) == [("bundle-reference", "Bundle.entry[2]")]


def test_a_versioned_reference_names_one_of_several_versions() -> None:
    def version(number: str) -> dict[str, Any]:
        meta = {"versionId": number}
        return at({"resourceType": "Practitioner", "id": "d", "active": True, "meta": meta})

    url = f"{BASE}/Practitioner/d"
    entries = version("1"), version("2")
    one = found(document(at(composition(f"{url}/_history/2")), *entries))
    assert keys(one) == [("bundle-reference", "Bundle.entry[1]")], "nothing leads to version 1"
    for reference in (url, f"{url}/_history/3"):
        place = ("bundle-reference", "Bundle.entry[0].resource.author[0]")
        assert place in keys(found(document(at(composition(reference)), *entries)))


def test_what_is_found_by_uuid_has_the_type_named() -> None:
    patient = PATIENT | {"generalPractitioner": [{"reference": f"Practitioner/{UUID[9:]}"}]}
    goal = {"resourceType": "Organization", "name": "O"}
    assert keys(found(bundle(at(patient, UUID[:-1] + "2"), at(goal, UUID)))) == [
        ("bundle-reference", "Bundle.entry[0].resource.generalPractitioner[0]")
    ]


def test_a_page_of_results_has_each_link_once_and_what_was_searched() -> None:
    link = {"relation": "self", "url": f"{BASE}/Patient?active=true"}
    good = bundle(at(PATIENT, search={"mode": "match"}), kind="searchset", link=[link])
    assert found(good) == []
    assert keys(found(good | {"link": [link, link]})) == [("bundle-link", "Bundle.link[1]")]
    group = {"resourceType": "Group", "id": "g", "type": "person", "actual": False}
    other = bundle(at(group, search={"mode": "match"}), kind="searchset", link=[link])
    assert keys(found(other)) == [("bundle-search", "Bundle.entry[0].resource")]


def observation(**subject: Any) -> dict[str, Any]:
    return {"resourceType": "Observation", "id": "o", "status": "final", "code": {"text": "c"},
            "subject": subject}  # fmt: skip


@pytest.mark.parametrize(
    ("subject", "severity"),
    [
        ({"reference": "Patient/1"}, None),
        ({"reference": "Goal/1"}, "warning"),
        ({"type": "Goal", "display": "x"}, "warning"),
        ({"identifier": {"value": "7"}, "type": "Patient"}, None),
        ({"reference": "urn:uuid:0f2f2c4e-6a3e-4a77-9a3e-2f0f6f1d8a09"}, None),
        ({"reference": "#g"}, "error"),
    ],
)
def test_base_targets(subject: dict[str, Any], severity: str | None) -> None:
    """Read off the text a wrong type is warned of; found in the document it is refused."""
    resource = observation(**subject)
    if subject.get("reference") == "#g":
        goal = {"resourceType": "Group", "id": "g", "type": "person", "actual": False}
        resource["contained"] = [goal | {"resourceType": "Organization", "name": "O"}]
        for name in ("type", "actual"):
            del resource["contained"][0][name]
    targets = [f.severity for f in found(resource) if f.key == "reference-target"]
    assert targets == ([severity] if severity else [])


ADULT = profile("adult", "Patient", element("Patient.birthDate", min=1))
OF_ADULTS = profile(
    "of-adults", "Observation",
    element("Observation.subject", type=[{"code": "Reference", "targetProfile": [ADULT["url"]]}]),
)  # fmt: skip


def test_target_profiles_are_asked_of_what_is_in_the_document() -> None:
    def contained(**more: Any) -> dict[str, Any]:
        return observation(reference="#p") | {"contained": [PATIENT | more]}

    assert judged(contained(birthDate="2031"), OF_ADULTS, ADULT) == []
    assert keys(judged(contained(), OF_ADULTS, ADULT)) == [
        ("reference-target", "Observation.subject")
    ]
    assert judged(observation(reference="Patient/elsewhere"), OF_ADULTS, ADULT) == []


def test_a_type_that_a_profile_does_not_want_counts_on_a_server() -> None:
    elsewhere = observation(reference="Group/1")
    for rest, severity in ((True, "error"), (False, "warning")):
        (finding,) = judged(elsewhere, OF_ADULTS, ADULT, rest=rest)
        assert (finding.key, finding.severity) == ("reference-target", severity)


def test_how_a_reference_is_met_may_be_asked() -> None:
    rule = profile(
        "contained",
        "Observation",
        element(
            "Observation.subject",
            type=[
                {
                    "code": "Reference",
                    "targetProfile": [f"{HL7}/Patient"],
                    "aggregation": ["contained"],
                }
            ],
        ),
    )
    inside = observation(reference="#p") | {"contained": [PATIENT]}
    assert judged(inside, rule) == []
    assert keys(judged(observation(reference="Patient/1"), rule)) == [
        ("reference-aggregation", "Observation.subject")
    ]


def test_profiles_that_refer_to_each_other_in_a_circle_end() -> None:
    circle = profile(
        "circle",
        "Patient",
        element(
            "Patient.link.other",
            type=[
                {
                    "code": "Reference",
                    "targetProfile": ["https://example.org/ward/StructureDefinition/circle"],
                }
            ],
        ),
    )
    link = [{"other": {"reference": f"{BASE}/Patient/p"}, "type": "seealso"}]
    patient = PATIENT | {"link": link, "meta": {"profile": [circle["url"]]}}
    assert judged(bundle(at(patient)), profile("any", "Bundle"), circle) == []
