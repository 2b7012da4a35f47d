"""The one way in and the one way out."""

from datetime import timedelta
from decimal import Decimal

import pytest
from record_samples import AUTHOR, SYSTEM, numbered, observation, patient
from serious import serious

from service.fhir.json import read, write
from service.fhir.search.terms import Condition, ReferenceValue
from service.record import Create, Delete, Match, Patch, Record, Update
from service.record.errors import Conflict, Gone, Invalid, Malformed, NotFound, RecordError


def body(version):
    return read(version.body)


def put(record, resource, **how):
    return record.write([Update(resource, **how)], AUTHOR)[0]


# -- versions ------------------------------------------------------------------------------------


def test_an_update_adds_a_version(record, clock):
    assert put(record, observation(1, id="a")).done == "created"
    clock.move(minutes=1)
    second = put(record, observation(2, id="a"))
    assert (second.done, second.version, second.instant) == ("updated", 2, clock.now)
    assert body(record.read(AUTHOR, "Observation", "a"))["valueQuantity"]["value"] == 2
    assert body(record.vread(AUTHOR, "Observation", "a", 1))["valueQuantity"]["value"] == 1


def test_saying_the_same_again_adds_none(record, clock):
    first = put(record, observation(Decimal("0.10"), id="a", language="en"))
    clock.move(minutes=1)
    reordered = dict(reversed(observation(Decimal("0.10"), id="a", language="en").items()))
    again = put(record, reordered)
    assert (again.done, again.version, again.body) == ("unchanged", 1, first.body)
    assert put(record, body(first)).done == "unchanged"
    assert put(record, observation(Decimal("0.1"), id="a", language="en")).done == "updated"


@pytest.mark.parametrize("tag", ['W/"2"', '"2"', "*"])
def test_a_matching_tag_lets_through(record, tag):
    put(record, observation(1, id="a"))
    put(record, observation(2, id="a"))
    assert put(record, observation(3, id="a"), if_match=tag).version == 3


@pytest.mark.parametrize("tag", ['W/"1"', '"1"', 'W/"x"', "2", ""])
def test_another_tag_is_a_conflict(record, tag):
    put(record, observation(1, id="a"))
    put(record, observation(2, id="a"))
    with pytest.raises(Conflict) as caught:
        put(record, observation(3, id="a"), if_match=tag)
    assert caught.value.findings[0].code == "conflict"
    with pytest.raises(Conflict):
        record.write([Delete("Observation", "a", if_match=tag)], AUTHOR)
    assert record.read(AUTHOR, "Observation", "a").version == 2


def test_a_tag_for_what_is_not_there_is_a_conflict(record):
    with pytest.raises(Conflict):
        put(record, observation(id="a"), if_match="*")


def test_deleting_leaves_the_past_and_an_update_brings_back(record):
    put(record, observation(1, id="a"))
    assert record.write([Delete("Observation", "a")], AUTHOR)[0].done == "deleted"
    with pytest.raises(Gone):
        record.read(AUTHOR, "Observation", "a")
    with pytest.raises(Gone):
        record.vread(AUTHOR, "Observation", "a", 2)
    assert record.vread(AUTHOR, "Observation", "a", 1).version == 1
    assert record.write([Delete("Observation", "a")], AUTHOR)[0].done == "unchanged"
    back = put(record, observation(1, id="a"))
    assert (back.done, back.version) == ("created", 3)
    assert [v.version for v in record.history(AUTHOR, "Observation", "a").versions] == [3, 2, 1]


def test_what_never_was_is_not_found(record):
    for ask in (
        lambda: record.read(AUTHOR, "Observation", "a"),
        lambda: record.vread(AUTHOR, "Observation", "a", 1),
        lambda: record.history(AUTHOR, "Observation", "a"),
        lambda: record.write([Patch("Observation", "a", lambda one: one)], AUTHOR),
    ):
        with pytest.raises(NotFound):
            ask()


def test_the_end_of_what_never_was_is_no_event(record):
    """R4 http.html#delete: no error if the resource does not exist at all."""
    (nothing,) = record.write([Delete("Observation", "a")], AUTHOR)
    assert (nothing.done, nothing.version) == ("absent", 0)
    assert record.events(0) == []
    with pytest.raises(Conflict):
        record.write([Delete("Observation", "a", if_match='W/"1"')], AUTHOR)


def test_instants_never_run_backwards(record, clock):
    put(record, observation(1, id="a"))
    clock.move(hours=-1)
    second = put(record, observation(2, id="a"))
    assert second.instant - record.vread(AUTHOR, "Observation", "a", 1).instant == timedelta()


# -- all or nothing ------------------------------------------------------------------------------


def test_a_refused_resource_is_refused_with_every_finding_at_its_place(record):
    bad = observation(status="nope", birthDate="2019")
    with pytest.raises(Invalid) as caught:
        record.write([Create(bad)], AUTHOR)
    assert {finding.expression for finding in serious(caught.value.findings)} == {
        "Observation.status",
        "Observation.birthDate",
    }
    with pytest.raises(Invalid) as caught:
        record.write([Create(observation()), Create(bad), Create(patient(active="yes"))], AUTHOR)
    assert {finding.expression for finding in serious(caught.value.findings)} == {
        "Bundle.entry[1].resource.status",
        "Bundle.entry[1].resource.birthDate",
        "Bundle.entry[2].resource.active",
    }
    assert record.events(0) == []


def test_a_conflict_in_one_change_undoes_all(record):
    put(record, observation(1, id="a"))
    before = record.events(0)
    with pytest.raises(Conflict):
        record.write([Create(patient()), Update(observation(2, id="a"), if_match='W/"9"')], AUTHOR)
    assert record.events(0) == before
    assert record.total(AUTHOR, "Patient") == 0


def test_one_resource_cannot_be_changed_twice_in_a_unit(record):
    with pytest.raises(Malformed):
        record.write([Update(observation(1, id="a")), Update(observation(2, id="a"))], AUTHOR)
    assert record.events(0) == []


def test_an_error_before_the_commit_undoes_all(record):
    def fail(reader, written):
        assert reader.total("Observation") == len(written) == 1
        raise LookupError

    with pytest.raises(LookupError):
        record.write([Create(observation())], AUTHOR, before_commit=fail)
    assert record.events(0) == []


@pytest.mark.parametrize("id_", ["", "a b", "x" * 65, "ä", 7, None])
def test_an_update_needs_an_id_that_can_be_one(record, id_):
    with pytest.raises(RecordError):
        put(record, observation(id=id_))


# -- provenance ----------------------------------------------------------------------------------


def provenances(record, version):
    target = Condition("target", "reference", (ReferenceValue(version.type, version.id),))
    return [body(v) for v in record.search(AUTHOR, "Provenance", [target]).versions]


def test_one_provenance_for_each_unit_names_the_versions_it_wrote(record, clock):
    one, two = record.write([Create(observation()), Create(patient())], AUTHOR, "first visit")
    clock.move(minutes=1)
    put(record, observation(2, id=one.id))
    first, second = provenances(record, one)
    assert [target["reference"] for target in first["target"]] == [
        f"Observation/{one.id}/_history/1",
        f"Patient/{two.id}/_history/1",
    ]
    assert first["activity"]["coding"][0]["code"] == "CREATE"
    assert first["reason"] == [{"text": "first visit"}]
    assert first["agent"][0]["who"] == {"display": AUTHOR.display}
    assert second["target"] == [{"reference": f"Observation/{one.id}/_history/2"}]
    assert second["activity"]["coding"][0]["code"] == "UPDATE"
    assert second["recorded"] == "2031-03-09T12:01:00.000Z"


def test_a_provenance_is_itself_valid(record, validator):
    made = record.write([Create(observation())], AUTHOR)[0]
    assert serious(validator.validate(provenances(record, made)[0])) == []


def test_writing_nothing_new_leaves_no_trace(record):
    put(record, observation(id="a"))
    before = record.events(0)
    put(record, observation(id="a"))
    assert record.write([], AUTHOR) == []
    assert record.events(0) == before


# -- conditional ---------------------------------------------------------------------------------


def test_a_conditional_create_finds_what_is_there(record):
    match = Match.identifier("Observation", SYSTEM, "7")
    first = record.write([Create(numbered(7), match=match)], AUTHOR)[0]
    again = record.write([Create(numbered(7, status="amended"), match=match)], AUTHOR)[0]
    assert (first.done, again.done) == ("created", "existing")
    assert (again.id, again.version, again.body) == (first.id, 1, first.body)


def test_a_conditional_update_makes_then_changes(record):
    match = Match.identifier("Observation", SYSTEM, "7")
    first = put(record, numbered(7), match=match)
    same = put(record, numbered(7), match=match)
    other = put(record, numbered(7, status="amended"), match=match)
    assert [one.done for one in (first, same, other)] == ["created", "unchanged", "updated"]
    assert first.id == same.id == other.id
    with pytest.raises(Malformed):
        put(record, numbered(7, id="another"), match=match)


def test_a_condition_that_several_meet_is_a_conflict(record):
    record.write([Create(numbered(7)), Create(numbered(7))], AUTHOR)
    match = Match.identifier("Observation", SYSTEM, "7")
    with pytest.raises(Conflict):
        record.write([Create(numbered(7), match=match)], AUTHOR)
    with pytest.raises(Conflict):
        put(record, numbered(7), match=match)


def test_an_id_that_is_taken_does_not_meet_the_condition(record):
    put(record, observation(id="a"))
    with pytest.raises(Conflict):
        put(record, numbered(7, id="a"), match=Match.identifier("Observation", SYSTEM, "7"))
    with pytest.raises(Conflict):
        record.write([Create(observation(), id="a")], AUTHOR)


def test_what_came_can_be_revised_in_the_light_of_what_is_stored(record):
    def amended(stored, came):
        same = stored["valueQuantity"] == came["valueQuantity"]
        return stored if same else came | {"status": "amended"}

    match = Match.identifier("Observation", SYSTEM, "7")

    def log(value):
        resource = numbered(7, valueQuantity={"value": value})
        return put(record, resource, match=match, revise=amended)

    assert [log(1).done, log(1).done, log(2).done, log(2).done] == [
        "created",
        "unchanged",
        "updated",
        "unchanged",
    ]
    found = record.search(AUTHOR, "Observation").versions
    assert [body(one)["status"] for one in found] == ["amended"]


def test_what_a_revision_makes_is_checked_too(record):
    put(record, observation(1, id="a"))
    with pytest.raises(Invalid):
        put(record, observation(2, id="a"), revise=lambda _, came: came | {"status": "nope"})


# -- each for itself -----------------------------------------------------------------------------


def test_one_bad_row_never_fails_the_others(record):
    rows = [numbered(1), numbered(2, status="nope"), numbered(3)]
    first, second, third = record.write_each([Create(row) for row in rows], AUTHOR)
    assert (first.done, third.done) == ("created", "created")
    assert isinstance(second, Invalid)
    assert second.findings[0].expression == "Observation.status"
    assert len(provenances(record, first)[0]["target"]) == 2


def test_rows_may_build_on_each_other(record):
    def by_number(number, **other):
        match = Match.identifier("Observation", SYSTEM, str(number))
        return Update(numbered(number, **other), match=match)

    rows = [by_number(1), by_number(1), by_number(1, status="amended"), by_number(2)]
    results = record.write_each(rows, AUTHOR)
    assert [one.done for one in results] == ["created", "unchanged", "updated", "created"]
    assert [one.version for one in results] == [1, 1, 2, 1]
    assert record.total(AUTHOR, "Observation") == 2
    again = record.write_each([by_number(2), by_number(1, status="amended")], AUTHOR)
    assert [one.done for one in again] == ["unchanged", "unchanged"]


def test_a_row_in_conflict_is_reported_and_the_rest_is_kept(record):
    put(record, observation(1, id="a"))
    stale = Update(observation(2, id="a"), if_match='W/"9"')
    refused, kept = record.write_each([stale, Create(numbered(1))], AUTHOR)
    assert isinstance(refused, Conflict)
    assert record.read(AUTHOR, "Observation", kept.id).body == kept.body


def test_only_bad_rows_write_nothing(record):
    results = record.write_each([Create(observation(status="nope"))] * 2, AUTHOR)
    assert [type(one) for one in results] == [Invalid, Invalid]
    assert record.write_each([], AUTHOR) == []
    assert record.events(0) == []


# -- questions that cannot be answered ------------------------------------------------------------


def test_a_page_that_was_not_given_and_a_search_of_too_many_parts_are_refused(record):
    for ask in (
        lambda: record.search(AUTHOR, "Observation", count=1, cursor="nonsense"),
        lambda: record.history(AUTHOR, "Observation", cursor="nonsense"),
        lambda: record.search(AUTHOR, "Observation", [Condition("_id", "token")] * 201),
        lambda: record.total(AUTHOR, "Observation", [Condition("_id", "token")] * 201),
    ):
        with pytest.raises(Malformed):
            ask()


# -- the gate ------------------------------------------------------------------------------------


class Closed(Record):
    """Nobody sees anything."""

    def see(self, caller, version):  # noqa: ARG002
        return None


def test_everything_that_leaves_passes_the_gate(record, store, clock, validator):
    made = record.write([Create(observation())], AUTHOR)[0]
    closed = Closed(store, validator, clock, record.parameters)
    key = (made.type, made.id)
    with pytest.raises(NotFound):
        closed.read(AUTHOR, *key)
    with pytest.raises(NotFound):
        closed.vread(AUTHOR, *key, 1)
    assert closed.history(AUTHOR, *key).versions == ()
    assert closed.search(AUTHOR, made.type).versions == ()
    assert closed.versions(AUTHOR, [key]) == []


def test_what_is_stored_is_what_was_answered(record):
    made = record.write([Create(observation(Decimal("0.10")))], AUTHOR)[0]
    assert record.read(AUTHOR, "Observation", made.id).body == made.body == write(body(made))


# -- releases ------------------------------------------------------------------------------------


def test_a_release_is_kept_once(record, clock):
    assert record.release("2031-H1") is None
    kept = record.keep_release("2031-H1", b"rows")
    clock.move(days=1)
    assert record.keep_release("2031-H1", b"other rows") == kept == record.release("2031-H1")
