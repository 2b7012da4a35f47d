"""Programmes into the record and out of it."""

from datetime import datetime
from threading import Barrier, Thread
from typing import Any

import pytest
from programme_documents import (
    CHILD,
    CHILDREN,
    OVERRIDE,
    TOO_YOUNG,
    changed_dose,
    programme,
)
from record_samples import AUTHOR

from service.fhir.json import JsonObject, read, write
from service.record import Create, Record, Update
from service.record.errors import (
    Conflict,
    Exists,
    Invalid,
    NotFound,
    PreconditionRequired,
    RecordError,
)
from service.record.programmes import Filed, Programmes

TYPES = ("Patient", "Practitioner", "CareTeam", "Condition", "CarePlan", "ServiceRequest",
         "DeviceRequest", "Goal", "Provenance")  # fmt: skip

ANOTHER_CHILD = CHILD | {"identifier": [{"system": CHILDREN, "value": "8"}]}


@pytest.fixture
def programmes(record: Record, clock: Any) -> Programmes:
    return Programmes(record, clock)


def count(record: Record) -> dict[str, int]:
    return {type_: record.total(AUTHOR, type_) for type_ in TYPES}


def stored(record: Record, reference: str) -> JsonObject:
    body: JsonObject = read(record.read(AUTHOR, *reference.split("/")).body)
    return body


def change(record: Record, reference: str, **values: Any) -> None:
    record.write([Update(stored(record, reference) | values)], AUTHOR)


def test_a_programme_comes_back_as_it_was_posted(record: Record, programmes: Programmes) -> None:
    filed = programmes.post(programme(), AUTHOR)
    assert count(record) == {
        "Patient": 1, "Practitioner": 2, "CareTeam": 1, "Condition": 1, "CarePlan": 1,
        "ServiceRequest": 3, "DeviceRequest": 1, "Goal": 1, "Provenance": 1,
    }  # fmt: skip
    opened = programmes.get("meadow-7", AUTHOR)
    again = opened.programme.to_json()
    assert write(again["regimen"][0]["dose"]["hold"]) == b"2.50"
    assert {name: again[name] for name in ("child", "author", "team", "diagnosis", "goal")} == {
        name: programme()[name] for name in ("child", "author", "team", "diagnosis", "goal")
    }
    assert opened.tag == filed.opened.tag


def test_a_change_is_a_successor_and_the_one_before_is_completed(
    record: Record, programmes: Programmes
) -> None:
    first = programmes.post(programme(), AUTHOR).opened
    before = count(record)
    second = programmes.put("meadow-7", changed_dose(), AUTHOR, f'W/"{first.tag}"').opened
    assert second.version.number == 2
    assert second.resources.care_plan["replaces"] == [{"reference": first.version.plan}]
    old = stored(record, first.version.plan)
    assert (old["status"], old["period"]) == ("completed", {"start": "2031-03-01"})
    requests = [
        stored(record, f"ServiceRequest/{one['id']}") for one in first.resources.regimens.values()
    ]
    assert {request["status"] for request in requests} == {"completed"}
    after = count(record)
    made = {type_: after[type_] - before[type_] for type_ in TYPES if after[type_] != before[type_]}
    assert made == {
        "CarePlan": 1, "ServiceRequest": 3, "DeviceRequest": 1, "Goal": 1, "Provenance": 1,
    }, "nobody was made twice"  # fmt: skip
    assert programmes.get("meadow-7", AUTHOR).programme.regimen[0].dose.breaths == 8  # type: ignore[union-attr]
    assert programmes.get_version("meadow-7", 1, AUTHOR).programme.regimen[0].dose.breaths == 10  # type: ignore[union-attr]


def test_what_is_in_force_is_the_plan_that_began_last(programmes: Programmes, clock: Any) -> None:
    tag = programmes.post(programme(), AUTHOR).opened.tag
    later = changed_dose() | {"start": "2031-04-01"}
    programmes.put("meadow-7", later, AUTHOR, f'"{tag}"')
    assert programmes.get("meadow-7", AUTHOR).version.number == 1
    clock.move(days=30)
    assert programmes.get("meadow-7", AUTHOR).version.number == 2


def test_the_one_before_counts_again_when_the_successor_was_a_mistake(
    record: Record, programmes: Programmes
) -> None:
    tag = programmes.post(programme(), AUTHOR).opened.tag
    second = programmes.put("meadow-7", changed_dose(), AUTHOR, f'"{tag}"').opened
    change(record, second.version.plan, status="entered-in-error")
    assert programmes.get("meadow-7", AUTHOR).version.number == 1
    rows = programmes.versions("meadow-7", AUTHOR).all
    assert [(row.number, row.status) for row in rows] == [(1, "completed"), (2, "entered-in-error")]
    third = changed_dose(note=["Once more"])
    latest = programmes.get_version("meadow-7", 1, AUTHOR)
    filed = programmes.put("meadow-7", third, AUTHOR, latest.tag)
    assert filed.opened.resources.care_plan["replaces"] == [{"reference": latest.version.plan}]


def test_versions_tell_since_when_they_hold_and_since_when_they_are_known(
    record: Record, programmes: Programmes, clock: Any
) -> None:
    first = programmes.post(programme(), AUTHOR).opened
    posted = clock.now
    clock.move(hours=2)
    programmes.put("meadow-7", changed_dose(), AUTHOR, first.tag)
    change(record, first.version.plan, title="A corrected title")
    rows = programmes.versions("meadow-7", AUTHOR).all
    assert [(str(row.start), row.change_reason) for row in rows] == [
        ("2031-03-01", None),
        ("2031-03-09", "Tires early"),
    ]
    assert [row.known_since for row in rows] == [posted, clock.now]
    assert isinstance(rows[0].known_since, datetime)


def test_everything_wrong_is_told_at_once_and_nothing_is_stored(
    record: Record, programmes: Programmes
) -> None:
    document = programme(
        end="2030-01-01", timeZone=[{"zone": "Europe/Atlantis"}], status="nonsense"
    )
    document["regimen"][0]["dose"]["breaths"] = -3
    document["regimen"][1]["technique"] = "humming"
    document["author"] = {"reference": "Practitioner/nobody"}
    with pytest.raises(Invalid) as refusal:
        programmes.post(document, AUTHOR)
    assert {finding.expression for finding in refusal.value.findings} == {
        "Programme.end",
        "Programme.timeZone[0].zone",
        "Programme.status",
        "Programme.regimen[0].dose.breaths",
        "Programme.regimen[1].technique",
        "Programme.author.reference",
    }
    assert not any(count(record).values())


def test_a_caution_needs_an_override_which_is_kept(record: Record, programmes: Programmes) -> None:
    with pytest.raises(Invalid) as refusal:
        programmes.post(programme(child=TOO_YOUNG), AUTHOR)
    (finding,) = refusal.value.findings
    assert (finding.code, finding.key) == ("business-rule", "mouthpiece-under-age")
    assert "author and reason" in finding.diagnostics
    assert "the clinician decide" in finding.diagnostics
    assert not any(count(record).values())
    filed = programmes.post(programme(child=TOO_YOUNG, override=[OVERRIDE]), AUTHOR)
    assert [problem.key for problem in filed.accepted] == ["mouthpiece-under-age"]
    override = programmes.get("meadow-7", AUTHOR).programme.override[0]
    assert (override.author, override.reason) == (OVERRIDE["author"], OVERRIDE["reason"])


def test_an_existing_child_is_referred_to_and_not_rewritten(
    record: Record, programmes: Programmes
) -> None:
    patient = {
        "resourceType": "Patient",
        "identifier": CHILD["identifier"],
        "name": [{"family": "Meadow-Brook"}],
        "birthDate": "2021-07",
    }
    record.write([Create(patient, id="p7")], AUTHOR)
    filed = programmes.post(programme(), AUTHOR)
    assert filed.opened.resources.care_plan["subject"]["reference"] == "Patient/p7"
    assert record.read(AUTHOR, "Patient", "p7").version == 1
    assert [note.expression for note in filed.notes] == ["Programme.child"]
    name = filed.opened.programme.child.name
    assert name is not None
    assert name.text == "Meadow-Brook"


def test_the_same_number_with_another_birth_date_is_refused(
    record: Record, programmes: Programmes
) -> None:
    patient = {"resourceType": "Patient", "identifier": CHILD["identifier"], "birthDate": "2016"}
    record.write([Create(patient)], AUTHOR)
    with pytest.raises(Invalid) as refusal:
        programmes.post(programme(), AUTHOR)
    assert [one.expression for one in refusal.value.findings] == ["Programme.child.birthDate"]


def test_what_the_record_knows_of_a_child_counts_for_cautions(
    record: Record, programmes: Programmes
) -> None:
    """SNOMED CT 195967001, asthma, is in the default policy a sign of irritable airways."""
    asthma = {"system": "http://snomed.info/sct", "code": "195967001"}
    condition = {
        "resourceType": "Condition",
        "subject": {"reference": "Patient/p7"},
        "code": {"coding": [asthma]},
    }
    patient = {"resourceType": "Patient", "birthDate": "2021-07"}
    record.write([Create(patient, id="p7"), Create(condition, id="c1")], AUTHOR)
    with pytest.raises(Invalid) as refusal:
        programmes.post(programme(child={"reference": "Patient/p7"}, diagnosis=None), AUTHOR)
    assert [one.key for one in refusal.value.findings] == ["oscillation-irritable-airways"]
    change(record, "Condition/c1", verificationStatus=_verification("refuted"))
    programmes.post(programme(child={"reference": "Patient/p7"}, diagnosis=None), AUTHOR)


def test_a_condition_of_another_child_is_refused(record: Record, programmes: Programmes) -> None:
    condition = {"resourceType": "Condition", "subject": {"reference": "Patient/other"}}
    patient = {"resourceType": "Patient", "birthDate": "2021-07"}
    record.write([Create(patient, id="p7"), Create(condition, id="c1")], AUTHOR)
    document = programme(
        child={"reference": "Patient/p7"}, diagnosis=[{"reference": "Condition/c1"}]
    )
    with pytest.raises(Invalid) as refusal:
        programmes.post(document, AUTHOR)
    assert [one.expression for one in refusal.value.findings] == [
        "Programme.diagnosis[0].reference"
    ]


def test_a_condition_that_says_the_same_is_not_made_again(
    record: Record, programmes: Programmes
) -> None:
    programmes.post(programme(), AUTHOR)
    programmes.post(programme(id="meadow-8"), AUTHOR)
    assert count(record)["Condition"] == 1
    assert count(record)["CareTeam"] == 1
    assert count(record)["CarePlan"] == 2


def test_a_second_programme_of_the_same_id_is_refused(programmes: Programmes) -> None:
    programmes.post(programme(), AUTHOR)
    with pytest.raises(Exists):
        programmes.post(programme(), AUTHOR)


def test_without_an_id_the_record_gives_one(programmes: Programmes) -> None:
    given = programmes.post(programme(id=None), AUTHOR).opened.programme.id
    assert programmes.get(str(given), AUTHOR).programme.id == given


@pytest.mark.parametrize(
    ("document", "place"),
    [
        (changed_dose(id="other-1"), "Programme.id"),
        (changed_dose(child=ANOTHER_CHILD), "Programme.child"),
        (changed_dose() | {"start": "2031-02-01"}, "Programme.start"),
        (changed_dose(status="entered-in-error"), "Programme.status"),
    ],
)
def test_what_cannot_be_the_next_version_is_refused(
    record: Record, programmes: Programmes, document: JsonObject, place: str
) -> None:
    tag = programmes.post(programme(), AUTHOR).opened.tag
    before = count(record)
    with pytest.raises(Invalid) as refusal:
        programmes.put("meadow-7", document, AUTHOR, tag)
    assert [one.expression for one in refusal.value.findings] == [place]
    assert count(record) == before


def test_a_change_names_the_version_that_it_changes(programmes: Programmes) -> None:
    first = programmes.post(programme(), AUTHOR).opened.tag
    with pytest.raises(PreconditionRequired):
        programmes.put("meadow-7", changed_dose(), AUTHOR, None)
    programmes.put("meadow-7", changed_dose(), AUTHOR, first)
    with pytest.raises(Conflict):
        programmes.put("meadow-7", changed_dose(note=["late"]), AUTHOR, first)
    with pytest.raises(NotFound):
        programmes.put("nobody", changed_dose(id="nobody"), AUTHOR, first)


def test_any_part_that_changed_meanwhile_is_a_conflict(
    record: Record, programmes: Programmes
) -> None:
    opened = programmes.post(programme(), AUTHOR).opened
    change(record, f"ServiceRequest/{opened.resources.regimens['opep']['id']}", priority="urgent")
    with pytest.raises(Conflict):
        programmes.put("meadow-7", changed_dose(), AUTHOR, opened.tag)


def test_the_same_document_again_changes_nothing(record: Record, programmes: Programmes) -> None:
    opened = programmes.post(programme(), AUTHOR).opened
    before = count(record)
    filed = programmes.put("meadow-7", programme(), AUTHOR, opened.tag)
    assert not filed.is_new
    assert count(record) == before


def test_what_others_added_is_carried_to_the_successor(
    record: Record, programmes: Programmes
) -> None:
    opened = programmes.post(programme(), AUTHOR).opened
    extension = {"url": "https://ward.example/colour", "valueString": "blue"}
    plan = opened.version.plan
    change(record, plan, extension=[*opened.resources.care_plan["extension"], extension])
    tag = programmes.get("meadow-7", AUTHOR).tag
    successor = programmes.put("meadow-7", changed_dose(), AUTHOR, tag).opened
    assert extension in successor.resources.care_plan["extension"]
    assert extension in stored(record, plan)["extension"]


def test_a_draft_does_not_end_the_plan_that_holds(record: Record, programmes: Programmes) -> None:
    first = programmes.post(programme(), AUTHOR).opened
    draft = programmes.put("meadow-7", changed_dose(status="draft"), AUTHOR, first.tag).opened
    assert stored(record, first.version.plan)["status"] == "active"
    assert programmes.get("meadow-7", AUTHOR).version.number == 1
    programmes.put("meadow-7", changed_dose(), AUTHOR, draft.tag)
    assert stored(record, first.version.plan)["status"] == "completed"
    assert stored(record, draft.version.plan)["status"] == "draft", "it never was a prescription"


def test_of_two_changes_at_once_one_is_kept(record: Record, programmes: Programmes) -> None:
    tag = programmes.post(programme(), AUTHOR).opened.tag
    results = _at_once(
        lambda number: programmes.put(
            "meadow-7", changed_dose(status="draft", note=[str(number)]), AUTHOR, tag
        )
    )
    assert sorted(type(result).__name__ for result in results) == ["Conflict", "Filed"]
    assert count(record)["CarePlan"] == 2


def test_of_two_posts_at_once_one_is_kept(record: Record, programmes: Programmes) -> None:
    results = _at_once(lambda number: programmes.post(programme(note=[str(number)]), AUTHOR))
    assert sorted(type(result).__name__ for result in results) == ["Exists", "Filed"]
    assert count(record)["Patient"] == 1


def test_one_child_posted_twice_at_once_is_one_child(
    record: Record, programmes: Programmes
) -> None:
    results = _at_once(lambda number: programmes.post(programme(id=f"m-{number}"), AUTHOR))
    assert [type(result).__name__ for result in results] == ["Filed", "Filed"]
    assert count(record)["Patient"] == 1


def _at_once(work: Any) -> list[Filed | RecordError]:
    results: list[Filed | RecordError] = []
    barrier = Barrier(2)

    def run(number: int) -> None:
        barrier.wait()
        try:
            results.append(work(number))
        except RecordError as error:
            results.append(error)

    threads = [Thread(target=run, args=(number,)) for number in range(2)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    return results


def _verification(code: str) -> JsonObject:
    system = "http://terminology.hl7.org/CodeSystem/condition-ver-status"
    return {"coding": [{"system": system, "code": code}]}
