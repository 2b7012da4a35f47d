"""Laws of transactions: the order of entries means nothing, a patch and its inverse nothing."""

from base64 import b64encode
from itertools import count
from pathlib import Path

from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from record_samples import AUTHOR, observation, patient
from search_language import parameters

from service.fhir.json import read, write
from service.fhir.patch import JsonPatch
from service.record import Patch, Record, Update
from service.record.errors import RecordError
from service.record.transactions import Transactions
from service.store.sqlite import SqliteStore

BASE = "http://127.0.0.1:8000/fhir"
CHILD = "urn:uuid:3fdc72f4-a11d-4a9d-9260-a9f745779e1d"
_numbers = count()

settings.register_profile(
    "laws", deadline=None, max_examples=40, suppress_health_check=list(HealthCheck)
)
laws = settings.get_profile("laws")


def entry(method, url, resource=None, full_url=None, **request):
    made = {"request": {"method": method, "url": url} | request}
    made |= {"resource": resource} if resource is not None else {}
    return made | ({"fullUrl": full_url} if full_url else {})


def patch_entry(url, operations):
    data = b64encode(write(operations)).decode()
    kind = "application/json-patch+json"
    return entry("PATCH", url, {"resourceType": "Binary", "contentType": kind, "data": data})


def new_record(folder: Path, validator, clock):
    names = count(1)
    store = SqliteStore(folder / f"{next(_numbers)}.db")
    record = Record(store, validator, clock, parameters(), new_id=lambda: f"new-{next(names)}")
    record.write([Update(observation(id=id_)) for id_ in ("a", "b", "c", "d")], AUTHOR)
    return store, record


def entries():
    return [
        entry("DELETE", "Observation/a"),
        entry("POST", "Patient", patient(), CHILD),
        entry(
            "PUT",
            "Observation/b",
            observation(id="b", status="amended", subject={"reference": CHILD}),
        ),
        patch_entry(
            "Observation/c",
            [{"op": "add", "path": "/subject", "value": {"reference": CHILD}}],
        ),
        entry("PUT", "Observation/d", observation(id="d", status="nope")),
        entry("GET", "Observation/b"),
        entry("GET", "Observation/a"),
    ]


def contents(record):
    """What the record holds, without ids that were given and moments."""
    found = {}
    for type_ in ("Observation", "Patient"):
        for one in record.search(AUTHOR, type_).versions:
            body = read(one.body)
            body.pop("meta")
            body.pop("id")
            named = "new" if type_ == "Patient" else one.id
            if "subject" in body:
                body["subject"] = body["subject"]["reference"].partition("/")[0]
            found[type_, named] = (one.version, body)
    return found


@laws
@given(st.permutations(range(7)), st.sets(st.sampled_from([4, 6])))
def test_the_order_of_entries_does_not_change_what_becomes_of_them(
    tmp_path_factory, validator, clock, order, faulty
):
    """Entry 4 breaks R4, entry 6 reads what entry 0 deletes: either undoes everything."""
    folder = tmp_path_factory.mktemp("laws")
    chosen = [entries()[number] for number in order if number not in {4, 6} - faulty]
    store, record = new_record(folder, validator, clock)
    before = contents(record)
    try:
        answers = Transactions(record, BASE).carry_out(
            {"resourceType": "Bundle", "type": "transaction", "entry": chosen}, AUTHOR
        )
    except RecordError:
        assert faulty
        assert contents(record) == before
    else:
        assert not faulty
        kept = [number for number in order if number not in {4, 6}]
        status = dict(zip(kept, (answer.status for answer in answers), strict=True))
        assert status == {0: 204, 1: 201, 2: 200, 3: 200, 5: 200}
        after = contents(record)
        assert set(after) == {*[("Observation", one) for one in "bcd"], ("Patient", "new")}
        assert after["Observation", "b"][1] == observation(status="amended", subject="Patient")
        assert after["Observation", "c"][1] == observation(subject="Patient")
        assert after["Observation", "d"] == before["Observation", "d"]
    finally:
        store.close()


@laws
@given(
    st.lists(
        st.sampled_from(["registered", "preliminary", "amended", "nope"]), min_size=1, max_size=4
    )
)
def test_a_patch_is_undone_by_its_inverse_and_a_refused_one_is_nothing(
    tmp_path_factory, validator, clock, wanted
):
    store, record = new_record(tmp_path_factory.mktemp("laws"), validator, clock)
    before = contents(record)

    def patched(status):
        edit = JsonPatch([{"op": "replace", "path": "/status", "value": status}])
        record.write([Patch("Observation", "a", edit)], AUTHOR)

    versions = 1
    for status in wanted:
        try:
            patched(status)
        except RecordError:
            assert status == "nope"
        else:
            patched("final")
            versions += 2
        number, body = contents(record)["Observation", "a"]
        assert (number, body) == (versions, before["Observation", "a"][1])
    store.close()
