"""Transaction Bundles, against the rules of R4 http.html#trules."""

from concurrent.futures import ThreadPoolExecutor
from threading import Barrier

import pytest
from record_samples import AUTHOR, SYSTEM, numbered, observation, patient
from serious import serious

from service.fhir.json import read
from service.record.errors import Conflict, Gone, Invalid, Malformed, NotFound, RecordError
from service.record.transactions import Transactions

BASE = "http://127.0.0.1:8000/fhir"
CHILD = "urn:uuid:3fdc72f4-a11d-4a9d-9260-a9f745779e1d"
SESSION = "urn:uuid:0d0c3b5e-52a6-4b43-9e2a-3b6f0c3f0f11"


@pytest.fixture
def transactions(record):
    return Transactions(record, BASE)


def bundle(*entries):
    return {"resourceType": "Bundle", "type": "transaction", "entry": list(entries)}


def entry(method, url, resource=None, full_url=None, **request):
    made = {"request": {"method": method, "url": url} | request}
    if resource is not None:
        made["resource"] = resource
    if full_url is not None:
        made["fullUrl"] = full_url
    return made


def post(resource, full_url=None, **request):
    return entry("POST", resource["resourceType"], resource, full_url, **request)


def run(transactions, *entries):
    return transactions.carry_out(bundle(*entries), AUTHOR)


def body(answer):
    return read(answer.version.body)


def places(caught):
    return {finding.expression for finding in serious(caught.value.findings)}


# -- references ----------------------------------------------------------------------------------


def test_entries_refer_to_each_other_before_they_have_ids(transactions):
    narrative = f'<div xmlns="http://www.w3.org/1999/xhtml"><a href="{CHILD}">the child</a></div>'
    session = observation(
        subject={"reference": CHILD},
        identifier=[{"system": "urn:ietf:rfc:3986", "value": CHILD}],
        extension=[{"url": "https://clinic.example/link", "valueUri": f"{CHILD}#name"}],
        text={"status": "generated", "div": narrative},
    )
    told, child = run(transactions, post(session, SESSION), post(patient(), CHILD))
    assert (told.status, child.status) == (201, 201)
    target = f"Patient/{child.version.id}"
    stored = body(told)
    assert stored["subject"] == {"reference": target}
    assert stored["extension"][0]["valueUri"] == f"{target}#name"
    assert f'href="{target}"' in stored["text"]["div"]
    # An identifier is a name of its own, not a link.
    assert stored["identifier"][0]["value"] == CHILD


def test_references_are_relative_to_the_address_of_their_entry(transactions):
    far = "https://far.example/base/Patient/7"
    session = observation(subject={"reference": "Patient/7"}, focus=[{"reference": far}])
    told, child = run(transactions, post(session), post(patient(), far))
    target = f"Patient/{child.version.id}"
    assert body(told)["subject"]["reference"] == body(told)["focus"][0]["reference"] == target


def test_other_references_are_left_alone(transactions):
    for text in ("Patient/somebody", "https://far.example/Patient/1"):
        (told,) = run(transactions, post(observation(subject={"reference": text})))
        assert body(told)["subject"]["reference"] == text


def test_a_link_to_no_entry_is_refused_at_its_place(transactions, record):
    session = observation(subject={"reference": CHILD}, focus=[{"reference": SESSION}])
    with pytest.raises(Invalid) as caught:
        run(transactions, post(patient()), post(session))
    assert places(caught) == {
        "Bundle.entry[1].resource.subject.reference",
        "Bundle.entry[1].resource.focus[0].reference",
    }
    assert record.events(0) == []


@pytest.mark.parametrize("stored_before", [True, False])
def test_a_conditional_reference_finds_the_one(transactions, record, stored_before):
    child = patient(identifier=[{"system": "urn:child", "value": "c1"}])
    session = observation(subject={"reference": "Patient?identifier=urn:child|c1"})
    if stored_before:
        (made,) = run(transactions, post(child))
        (told,) = run(transactions, post(session))
    else:
        told, made = run(transactions, post(session), post(child))
    assert body(told)["subject"]["reference"] == f"Patient/{made.version.id}"


def test_a_condition_may_hold_any_character(transactions, record):
    run(transactions, post(patient(identifier=[{"system": "urn:child", "value": "c#1 é"}])))
    session = observation(subject={"reference": "Patient?identifier=urn:child|c%231%20%C3%A9"})
    raw = observation(subject={"reference": "Patient?identifier=urn:child|c#1 é"})
    for told in run(transactions, post(session), post(raw)):
        assert body(told)["subject"]["reference"].startswith("Patient/")


def test_a_conditional_reference_must_find_exactly_one(transactions, record):
    child = patient(identifier=[{"system": "urn:child", "value": "c1"}])
    session = observation(subject={"reference": "Patient?identifier=urn:child|c1"})
    with pytest.raises(Conflict) as caught:
        run(transactions, post(session))
    assert places(caught) == {"Bundle.entry[0].resource.subject.reference"}
    run(transactions, post(child), post(child))
    with pytest.raises(Conflict):
        run(transactions, post(session))
    assert record.total(AUTHOR, "Observation") == 0


# -- order and answers ---------------------------------------------------------------------------


def test_answers_come_in_the_order_of_the_request(transactions, record):
    run(
        transactions,
        entry("PUT", "Observation/o1", observation(1, id="o1")),
        entry("PUT", "Observation/o2", observation(2, id="o2")),
    )
    answers = run(
        transactions,
        entry("GET", "Observation/o2"),
        entry("PUT", "Observation/o2", observation(3, id="o2")),
        post(patient()),
        entry("DELETE", "Observation/o1"),
        entry("GET", "Observation/o2/_history/1"),
    )
    assert [one.status for one in answers] == [200, 200, 201, 204, 200]
    # What is read is what the transaction made: GET comes last.
    assert body(answers[0])["valueQuantity"]["value"] == 3
    assert body(answers[4])["valueQuantity"]["value"] == 2
    with pytest.raises(Gone):
        record.read(AUTHOR, "Observation", "o1")


def test_addresses_may_be_absolute_below_our_own(transactions):
    (made,) = run(transactions, entry("PUT", f"{BASE}/Patient/p1", patient(id="p1")))
    assert (made.status, made.version.id) == (201, "p1")


def test_one_provenance_for_the_whole(transactions, record):
    run(transactions, post(patient()), post(observation()))
    assert record.total(AUTHOR, "Provenance") == 1


def test_an_empty_transaction_does_nothing(transactions, record):
    assert transactions.carry_out({"resourceType": "Bundle", "type": "transaction"}, AUTHOR) == []
    assert record.events(0) == []


# -- conditions ----------------------------------------------------------------------------------


def test_a_conditional_create_is_made_once_and_linked_to(transactions):
    condition = {"ifNoneExist": f"identifier={SYSTEM}|7"}
    (first,) = run(transactions, post(numbered(7), **condition))
    again, child = run(
        transactions,
        post(numbered(7, status="amended"), SESSION, **condition),
        post(observation(hasMember=[{"reference": SESSION}])),
    )
    assert (first.status, again.status) == (201, 200)
    assert (again.version.id, again.version.version) == (first.version.id, 1)
    assert body(child)["hasMember"] == [{"reference": f"Observation/{first.version.id}"}]


def test_a_conditional_update_makes_then_changes(transactions):
    url = f"Observation?identifier={SYSTEM}|7"
    (first,) = run(transactions, entry("PUT", url, numbered(7)))
    (second,) = run(transactions, entry("PUT", url, numbered(7, status="amended")))
    assert (first.status, second.status) == (201, 200)
    assert (second.version.id, second.version.version) == (first.version.id, 2)


def test_a_stale_tag_undoes_everything(transactions, record):
    run(transactions, entry("PUT", "Patient/p1", patient(id="p1")))
    run(transactions, entry("PUT", "Patient/p1", patient(id="p1", active=True)))
    before = record.events(0)
    stale = patient(id="p1", active=False)
    with pytest.raises(Conflict) as caught:
        run(
            transactions,
            post(observation()),
            entry("PUT", "Patient/p1", stale, ifMatch='W/"1"'),
        )
    assert places(caught) == {"Bundle.entry[1].resource"}
    with pytest.raises(Conflict):
        run(transactions, post(observation()), entry("DELETE", "Patient/p1", ifMatch='W/"1"'))
    assert record.events(0) == before


# -- refusals ------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "entries",
    [
        [entry("PUT", f"Observation?identifier={SYSTEM}|1", numbered(1, status="amended"))] * 2,
        [
            entry("DELETE", "Observation/o1"),
            entry("PUT", "Observation/o1", observation(id="o1")),
        ],
        [post(numbered(2), ifNoneExist=f"identifier={SYSTEM}|2")] * 2,
        [
            entry("PUT", "Observation/o1", numbered(1, id="o1", status="amended")),
            entry("PUT", f"Observation?identifier={SYSTEM}|1", numbered(1)),
        ],
        [post(patient(), CHILD), post(observation(), CHILD)],
    ],
)
def test_one_identity_cannot_be_in_two_entries(transactions, record, entries):
    run(transactions, entry("PUT", "Observation/o1", numbered(1, id="o1")))
    before = record.events(0)
    with pytest.raises(Malformed) as caught:
        run(transactions, *entries)
    assert places(caught) == {"Bundle.entry[1]"}
    assert record.events(0) == before


def test_every_problem_of_every_entry_is_named(transactions, record):
    with pytest.raises(Invalid) as caught:
        run(
            transactions,
            post(observation(status="nope")),
            post(patient()),
            post(patient(birthDate="2031-02-30", active="yes")),
        )
    assert places(caught) == {
        "Bundle.entry[0].resource.status",
        "Bundle.entry[2].resource.birthDate",
        "Bundle.entry[2].resource.active",
    }
    assert record.events(0) == []


@pytest.mark.parametrize(
    ("bad", "place"),
    [
        (entry("post", "Patient", patient()), "request.method"),
        ({"resource": patient()}, "request"),
        ("x", "request"),
        (entry("POST", "Patient/1", patient()), "request.url"),
        (entry("POST", "", patient()), "request.url"),
        (entry("POST", "Patient"), "resource"),
        (entry("PUT", "Patient", patient()), "request.url"),
        (entry("PUT", "Patient/1/_history/1", patient(id="1")), "request.url"),
        (entry("PUT", "Patient/1/x/y/z", patient(id="1")), "request.url"),
        (entry("PUT", "Patient/1", patient(id="2")), "resource.id"),
        (entry("PUT", "Patient/1", patient()), "resource.id"),
        (entry("PUT", "Patient?name=x", patient(id={"a": 1})), "resource.id"),
        (entry("PUT", "Patient/1", patient(id=[])), "resource.id"),
        (entry("POST", "Observation", patient()), "resource.resourceType"),
        (entry("DELETE", "Patient/1?name=x"), "request.url"),
        (entry("DELETE", "Patient"), "request.url"),
        (entry("DELETE", "Patient?"), "request"),
        (entry("PATCH", "Patient", {"resourceType": "Parameters"}), "request.url"),
        (entry("PATCH", "Patient/1", patient()), "resource"),
        (entry("PATCH", "Patient/1"), "resource"),
        (entry("GET", "Patient/1/_history/1?name=x"), "request.url"),
        (post(patient(), ifNoneExist="colour=blue"), "request"),
        (post(patient(), ifNoneExist=""), "request"),
        (post(patient(), ifNoneExist="birthdate=20x1"), "request"),
        (entry("POST", "Patient", patient(), 7), "fullUrl"),
        (entry("POST", "Patient", patient(), ifMatch=7), "request.ifMatch"),
    ],
)
def test_an_entry_that_makes_no_sense_is_named(transactions, record, bad, place):
    with pytest.raises(Malformed) as caught:
        run(transactions, post(observation()), bad)
    assert places(caught) == {f"Bundle.entry[1].{place}"}
    assert record.events(0) == []


def test_reading_what_is_not_there_fails_the_whole(transactions, record):
    with pytest.raises(NotFound) as caught:
        run(transactions, post(observation()), entry("GET", "Patient/none"))
    assert places(caught) == {"Bundle.entry[1]"}
    assert record.events(0) == []


def test_deleting_what_is_not_there_is_done(transactions, record):
    """R4 http.html#delete: no error if the resource does not exist at all."""
    made, nothing = run(transactions, post(observation()), entry("DELETE", "Patient/none"))
    assert (made.status, nothing.status, nothing.version) == (201, 204, None)
    with pytest.raises(Conflict):
        run(transactions, entry("DELETE", "Patient/none", ifMatch='W/"1"'))


# -- at the same time ----------------------------------------------------------------------------


def test_of_eight_transactions_with_one_condition_one_creates(transactions, record):
    start = Barrier(8)

    def upload(number):
        start.wait()
        try:
            return run(
                transactions,
                post(numbered(7), SESSION, ifNoneExist=f"identifier={SYSTEM}|7"),
                post(observation(number, hasMember=[{"reference": SESSION}])),
            )
        except RecordError as error:
            return error

    with ThreadPoolExecutor(8) as pool:
        results = list(pool.map(upload, range(8)))
    assert sorted(one.status for one, _ in results) == [200] * 7 + [201]
    (made,) = {one.version.id for one, _ in results}
    links = {body(other)["hasMember"][0]["reference"] for _, other in results}
    assert links == {f"Observation/{made}"}
    assert record.total(AUTHOR, "Observation") == 9
