"""Programme documents and their resources: laws, and an example to read."""

from copy import deepcopy
from decimal import Decimal

import pytest
from fhir.resources.R4B import get_fhir_model_class
from foreign import MARK, added_to
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from mapping_helpers import Json, ids, other_ids, stored
from profile_files import our_validator
from serious import serious
from strategies import programmes

from service.fhir.json import read, write
from service.fhir.outcome import has_errors
from service.mapping.errors import UnmappableError
from service.mapping.programme import from_resources, gather, to_resources
from service.programme.plan import Programme

laws = settings(max_examples=60, deadline=None, suppress_health_check=list(HealthCheck))
VALIDATOR = our_validator()

DOCUMENT: Json = {
    "id": "meadow-7",
    "title": "Sunny Meadow's programme",
    "child": {
        "identifier": [{"system": "https://clinic.example/children", "value": "7"}],
        "name": {"text": "Sunny Meadow", "family": "Meadow", "given": ["Sunny"]},
        "birthDate": "2021-07",
    },
    "author": {"name": {"text": "Ash Birch"}, "role": "Physiotherapist"},
    "team": {"reference": "CareTeam/respiratory"},
    "diagnosis": [{"condition": {"text": "Cystic fibrosis"}}],
    "start": "2031-05-01",
    "timeZone": [{"zone": "Europe/Madrid"}],
    "regimen": [
        {
            "key": "opep",
            "technique": "opep",
            "healthState": "any",
            "schedule": {"frequency": 2, "period": 1, "periodUnit": "d"},
            "dose": {
                "basis": "cycles",
                "cycles": 6,
                "breaths": 10,
                "hold": Decimal("2.50"),
                "pressure": {"low": 10, "high": 20},
            },
            "device": "handheld",
        }
    ],
    "device": [{"key": "handheld", "kind": "opep-handheld"}],
    "goal": [{"key": "swim", "description": "Swim a length", "own": True}],
}
PROGRAMME = Programme.model_validate(DOCUMENT)


def test_an_example_to_read() -> None:
    resources = stored(to_resources(PROGRAMME, ids=readable_ids))
    request = resources["ServiceRequest/regimen-opep"]
    plan = resources["CarePlan/meadow-7"]
    assert plan["activity"] == [
        {"reference": {"reference": "ServiceRequest/regimen-opep"}},
        {"reference": {"reference": "DeviceRequest/device-handheld"}},
    ]
    assert plan["careTeam"] == [{"reference": "CareTeam/respiratory"}]
    assert plan["author"]["display"] == "Ash Birch"
    assert request["code"]["coding"][1] == {"system": "http://snomed.info/sct", "code": "34431008"}
    assert request["supportingInfo"] == [{"reference": "DeviceRequest/device-handheld"}]
    dose = next(part for part in request["extension"] if part["url"].endswith("/dose"))
    hold = next(part for part in dose["extension"] if part["url"] == "hold")
    assert write(hold["valueQuantity"]) == (
        b'{"value":2.50,"unit":"s","system":"http://unitsofmeasure.org","code":"s"}'
    )
    assert resources["Goal/goal-swim"]["expressedBy"] == plan["subject"]


@laws
@given(programmes())
def test_a_document_comes_back_from_its_resources(programme: Programme) -> None:
    resources = to_resources(programme, ids=ids)
    again = from_resources(stored(resources)[plan_of(programme)], stored(resources).get)
    assert write(again.to_json()) == write(programme.to_json())


@laws
@given(programmes())
def test_resources_of_ours_come_back_from_their_document(programme: Programme) -> None:
    before = stored(to_resources(programme, ids=ids))
    document = from_resources(before[plan_of(programme)], before.get)
    assert stored(to_resources(document, ids=ids)) == before


@laws
@given(programmes())
def test_every_resource_is_valid(programme: Programme) -> None:
    """By our validator, and by the models of fhir.resources (R4B), which others wrote."""
    for resource in stored(to_resources(programme, ids=ids)).values():
        findings = serious(VALIDATOR.validate(resource))
        assert not has_errors(findings), findings
        get_fhir_model_class(resource["resourceType"]).model_validate_json(write(resource))


@laws
@given(programmes(), st.data())
def test_what_others_added_survives_unchanged(programme: Programme, data: st.DataObject) -> None:
    """The document does not show it, and writing the document back leaves it in its place."""
    resources = stored(to_resources(programme, ids=ids))
    theirs = with_additions(resources, data)
    earlier = gather(theirs[plan_of(programme)], theirs.get)
    document = from_resources(theirs[plan_of(programme)], theirs.get)
    assert write(document.to_json()) == write(programme.to_json())
    again = stored(to_resources(document, ids=ids, earlier=earlier))
    assert again == {name: theirs[name] for name in again}


@laws
@given(programmes(), st.data())
def test_what_others_added_survives_a_changed_prescription(
    programme: Programme, data: st.DataObject
) -> None:
    theirs = with_additions(stored(to_resources(programme, ids=ids)), data)
    before = deepcopy(theirs)
    regimens = [
        regimen.model_copy(update={"instruction": "As shown in clinic.", "schedule": None})
        for regimen in programme.regimen
    ]
    changed = programme.model_copy(
        update={"title": "Changed", "regimen": tuple(regimens), "change_reason": "Tires early"}
    )
    earlier = gather(theirs[plan_of(programme)], theirs.get)
    later = to_resources(changed, ids=other_ids, earlier=earlier)
    assert theirs == before, "the version before was changed"
    for old, new in zip(earlier.of_version(), later.of_version(), strict=True):
        assert new["id"] != old["id"]
        lost = count_marks(without_schedule(old)) - count_marks(without_schedule(new))
        assert lost == 0, (old, new)


def test_text_is_safe_in_the_narrative() -> None:
    programme = PROGRAMME.model_copy(update={"title": "<b>Clear & dry</b>"})
    div = to_resources(programme, ids=ids).care_plan["text"]["div"]
    assert "<p>&lt;b&gt;Clear &amp; dry&lt;/b&gt;</p>" in div


@pytest.mark.parametrize(
    ("change", "place"),
    [
        ({"id": None}, "Programme.id"),
        ({"child": {"reference": "Patient/1", "birthDate": "2021"}}, "Programme.child"),
        ({"child": {"birthDate": "2021"}}, "Programme.child.identifier"),
        ({"author": {}}, "Programme.author"),
        ({"device": []}, "Programme.regimen[0].device"),
    ],
)
def test_what_cannot_be_carried_is_refused_at_its_place(change: Json, place: str) -> None:
    programme = Programme.model_validate(DOCUMENT | change)
    with pytest.raises(UnmappableError) as refusal:
        to_resources(programme, ids=ids)
    assert refusal.value.expression == place


def test_one_identifier_for_two_people_is_refused() -> None:
    identifier = [{"system": "https://clinic.example/staff", "value": "3"}]
    member = {"identifier": identifier, "name": {"text": "Elm Rowan"}}
    author = {"identifier": identifier, "name": {"text": "Ash Birch"}}
    changed = DOCUMENT | {"author": author, "team": {"name": "Team", "member": [member]}}
    with pytest.raises(UnmappableError, match=r"team\.member\[0\]"):
        to_resources(Programme.model_validate(changed), ids=ids)


def test_the_same_person_is_made_once() -> None:
    author = DOCUMENT["author"]
    changed = DOCUMENT | {"team": {"name": "Team", "member": [author]}}
    resources = stored(to_resources(Programme.model_validate(changed), ids=ids))
    assert sum(name.startswith("Practitioner/") for name in resources) == 1


def test_a_part_that_is_missing_is_named() -> None:
    """A plan must never look shorter than it is."""
    resources = stored(to_resources(PROGRAMME, ids=ids))
    request = next(name for name in resources if name.startswith("ServiceRequest/"))
    del resources[request]
    with pytest.raises(UnmappableError, match=r"CarePlan\.activity\[0\]\.reference"):
        from_resources(resources["CarePlan/" + ids("CarePlan", "meadow-7")], resources.get)


def test_a_plan_that_may_not_be_interpreted_has_no_document() -> None:
    """Pitfall of the trade: an order not to do something must not read as an order to do it."""
    resources = stored(to_resources(PROGRAMME, ids=ids))
    request = next(part for name, part in resources.items() if name.startswith("ServiceRequest/"))
    request["doNotPerform"] = True
    with pytest.raises(UnmappableError, match="not to be done"):
        from_resources(resources["CarePlan/" + ids("CarePlan", "meadow-7")], resources.get)


def readable_ids(type_: str, key: str) -> str:
    return key.replace("/", "-")[:20]


def plan_of(programme: Programme) -> str:
    return "CarePlan/" + ids("CarePlan", str(programme.id))


def with_additions(resources: dict[str, Json], data: st.DataObject) -> dict[str, Json]:
    """Foreign additions in every resource that belongs to the plan's version."""
    kinds = ("CarePlan/", "ServiceRequest/", "DeviceRequest/", "Goal/")
    return {
        name: data.draw(added_to(part)) if name.startswith(kinds) else part
        for name, part in resources.items()
    }


def without_schedule(resource: Json) -> Json:
    """Without what the test itself takes away."""
    return {name: part for name, part in resource.items() if name != "occurrenceTiming"}


def count_marks(resource: Json) -> int:
    return write(resource).count(MARK.encode())


def test_read_and_write_agree_on_the_example() -> None:
    """The example in its own JSON, digits included."""
    resources = stored(to_resources(PROGRAMME, ids=ids))
    again = from_resources(resources["CarePlan/" + ids("CarePlan", "meadow-7")], resources.get)
    assert read(write(again.to_json()))["regimen"][0]["dose"]["hold"] == Decimal("2.50")
