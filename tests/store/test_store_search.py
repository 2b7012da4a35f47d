"""Conditions over index rows, on every engine."""

from decimal import Decimal

import pytest
from search_language import found_by, parse
from store_samples import version

from service.fhir.search.terms import QuantityRow, TokenRow
from service.store.contract import CursorError, Entry, TooCostlyError
from service.store.index import sortable

CATEGORY = "http://terminology.hl7.org/CodeSystem/observation-category"


def keep(store, *resources) -> None:
    """Store resources under their own ids, indexed as the record would."""
    with store.begin() as unit:
        unit.write(
            [
                Entry(version(one["id"], type_=one["resourceType"]), found_by(one))
                for one in resources
            ]
        )


def found(store, type_, *pairs, **how) -> list[str]:
    search = parse(type_, pairs)
    with store.read() as reader:
        page = reader.search(type_, search.criteria, sort=search.sort, **how)
        assert reader.total(type_, search.criteria) == len(page.versions)
    return [one.id for one in page.versions]


def observation(id_, **other):
    return {"resourceType": "Observation", "id": id_, "status": "final"} | other


def patient(id_, **other):
    return {"resourceType": "Patient", "id": id_} | other


# -- dates: R4 search.html#prefix. The table of expectations is hand-worked from its definitions. --


@pytest.mark.parametrize(
    ("asked", "expected"),
    [
        ("2019-07-15", ["D"]),
        ("2019-07", ["M", "D"]),
        ("2019", ["Y", "M", "D"]),
        ("ne2019-07-15", ["Y", "M"]),
        ("gt2019-07-14", ["Y", "M", "D"]),
        ("gt2019-07", ["Y"]),
        ("lt2019-07-15", ["Y", "M"]),
        ("sa2019-07-14", ["D"]),
        ("eb2019-08", ["M", "D"]),
        ("ge2019-07-15", ["Y", "M", "D"]),
        ("le2019-07-15", ["Y", "M", "D"]),
        ("ge2019-08", ["Y"]),
        ("2019-07-15,2020", ["D"]),
    ],
)
def test_partial_dates(store, asked, expected):
    keep(
        store,
        patient("Y", birthDate="2019"),
        patient("M", birthDate="2019-07"),
        patient("D", birthDate="2019-07-15"),
        patient("none"),
    )
    assert found(store, "Patient", ("birthdate", asked)) == expected


@pytest.mark.parametrize(
    ("asked", "expected"),
    [
        (["2031-03-09"], ["P"]),
        (["ge2031-03-10"], ["Q"]),
        (["sa2031-03-09"], []),
        (["ge2031-03-09T22:55:00Z"], ["P", "Q"]),
        (["ge2031-03-09", "lt2031-03-10"], ["P", "Q"]),
        (["lt2031-03-09"], ["Q"]),
    ],
)
def test_periods_are_spans_and_may_be_open(store, asked, expected):
    closed = {"start": "2031-03-09T23:50:00+01:00", "end": "2031-03-10T00:10:00+01:00"}
    keep(
        store,
        observation("P", effectivePeriod=closed),
        observation("Q", effectivePeriod={"start": "2031-03-01"}),
    )
    assert found(store, "Observation", *(("date", one) for one in asked)) == expected


# -- tokens: R4 search.html#token and #modifiers ---------------------------------------------------


@pytest.fixture
def categorised(store):
    def coded(*codes):
        return [{"coding": [{"system": CATEGORY, "code": code}]} for code in codes]

    absent = {"extension": [{"url": "urn:absent", "valueCode": "unknown"}]}
    keep(
        store,
        observation("o1", category=coded("activity"), effectiveDateTime="2031-01-01"),
        observation("o2", effectiveDateTime="2031-01-01"),
        observation("o3", category=coded("activity", "survey"), effectiveDateTime="2031-01-01"),
        observation("o4", category=coded("survey"), effectiveDateTime="2031-01-01"),
        observation("o5", _effectiveDateTime=absent),
    )
    return store


@pytest.mark.parametrize(
    ("name", "value", "expected"),
    [
        ("category", f"{CATEGORY}|activity", ["o1", "o3"]),
        ("category", "activity,survey", ["o1", "o3", "o4"]),
        ("category", f"{CATEGORY}|", ["o1", "o3", "o4"]),
        ("category", "|activity", []),
        ("category", "Activity", []),
        ("category:not", f"{CATEGORY}|activity", ["o2", "o4", "o5"]),
        ("category:not", "activity,survey", ["o2", "o5"]),
        ("category:missing", "true", ["o2", "o5"]),
        ("category:missing", "false", ["o1", "o3", "o4"]),
        ("date:missing", "true", ["o5"]),
        ("_id", "o2,o5,o9", ["o2", "o5"]),
    ],
)
def test_tokens(categorised, name, value, expected):
    assert found(categorised, "Observation", (name, value)) == expected


def test_all_conditions_must_hold(categorised):
    both = [("category", "activity"), ("category", "survey")]
    assert found(categorised, "Observation", *both) == ["o3"]
    assert found(categorised, "Observation", *both, ("_id:not", "o3")) == []
    assert found(categorised, "Observation", ("category", "activity"), ("_id", "o1")) == ["o1"]


@pytest.mark.parametrize(
    ("asked", "expected"),
    [
        ("https://clinic.example/odd\\,sys|A\\,1\\|2\\$3\\\\4", ["p1"]),
        ("A,1", ["p2"]),
        ("|A", ["p2"]),
        ("A", ["p2"]),
        ("https://clinic.example/odd\\,sys|", ["p1"]),
    ],
)
def test_identifiers_with_odd_characters(store, asked, expected):
    odd = {"system": "https://clinic.example/odd,sys", "value": "A,1|2$3\\4"}
    keep(store, patient("p1", identifier=[odd]), patient("p2", identifier=[{"value": "A"}]))
    assert found(store, "Patient", ("identifier", asked)) == expected


# -- references, strings, URIs, quantities ---------------------------------------------------------


@pytest.mark.parametrize(
    ("name", "value", "expected"),
    [
        ("subject", "Patient/p1", ["o1"]),
        ("subject", "p1", ["o1", "o2"]),
        ("subject:Patient", "p1", ["o1"]),
        ("patient", "p1", ["o1"]),
        ("subject", "Patient/p1,Patient/p2", ["o1", "o3"]),
        ("subject", "https://far.example/Patient/p1", ["o4"]),
        ("subject:identifier", "urn:s|77", ["o5"]),
        ("subject:missing", "true", ["o5"]),
    ],
)
def test_references(store, name, value, expected):
    keep(
        store,
        observation("o1", subject={"reference": "Patient/p1"}),
        observation("o2", subject={"reference": "Group/p1"}),
        observation("o3", subject={"reference": "Patient/p2/_history/3"}),
        observation("o4", subject={"reference": "https://far.example/Patient/p1"}),
        observation("o5", subject={"identifier": {"system": "urn:s", "value": "77"}}),
    )
    assert found(store, "Observation", (name, value)) == expected


@pytest.mark.parametrize(
    ("name", "value", "expected"),
    [
        ("family", "zo", ["p1", "p2"]),
        ("family", "ZOE", ["p1", "p2"]),
        ("family:exact", "Zoë", ["p1"]),
        ("family:exact", "zoë", []),
        ("family:contains", "oe", ["p1", "p2"]),
        ("family:contains", "%", ["p3"]),
        ("family:contains", "_", []),
        ("family", "10%", ["p3"]),
        ("family", "oe", []),
    ],
)
def test_strings(store, name, value, expected):
    keep(
        store,
        patient("p1", name=[{"family": "Zoë"}]),
        patient("p2", name=[{"family": "zoeller"}]),
        patient("p3", name=[{"family": "10%"}]),
    )
    assert found(store, "Patient", (name, value)) == expected


@pytest.mark.parametrize(
    ("name", "value", "expected"),
    [
        ("url", "https://clinic.example/Measure/a", ["m1"]),
        ("url:below", "https://clinic.example/Measure", ["m1", "m2"]),
        ("url:above", "https://clinic.example/Measure/a/b", ["m1", "m2"]),
        ("url", "https://clinic.example/measure/a", []),
    ],
)
def test_uris(store, name, value, expected):
    keep(
        store,
        {"resourceType": "Measure", "id": "m1", "url": "https://clinic.example/Measure/a"},
        {"resourceType": "Measure", "id": "m2", "url": "https://clinic.example/Measure/a/b"},
        {"resourceType": "Measure", "id": "m3", "url": "https://clinic.example/Measured"},
    )
    assert found(store, "Measure", (name, value)) == expected


@pytest.mark.parametrize(
    ("asked", "expected"),
    [
        ("12", ["q12", "q12.4"]),
        ("12.0", ["q12"]),
        ("12.50", ["q12.5"]),
        ("gt12", ["q12.4", "q12.5", "q100"]),
        ("ge12.5", ["q12.5", "q100"]),
        ("lt12", ["q-3", "q9"]),
        ("le9", ["q-3", "q9"]),
        ("ne12.5", ["q-3", "q9", "q12", "q12.4", "q100"]),
        ("1e2", ["q100"]),
        ("12|http://unitsofmeasure.org|cm[H2O]", ["q12"]),
    ],
)
def test_quantities_compare_as_exact_numbers(store, asked, expected):
    def measured(text):
        value = {"value": Decimal(text)}
        if text == "12":
            value |= {"system": "http://unitsofmeasure.org", "code": "cm[H2O]"}
        return observation(f"q{text}", valueQuantity=value)

    keep(store, *map(measured, ["-3", "9", "12", "12.4", "12.5", "100"]))
    assert found(store, "Observation", ("value-quantity", asked)) == expected


# -- order and pages -------------------------------------------------------------------------------


def pages(store, count, *pairs, between=lambda: None) -> list[str]:
    search = parse("Observation", pairs)
    ids, cursor = [], None
    while True:
        with store.read() as reader:
            page = reader.search(
                "Observation", search.criteria, sort=search.sort, count=count, cursor=cursor
            )
        ids += [one.id for one in page.versions]
        if page.next is None:
            return ids
        cursor = page.next
        between()


@pytest.fixture
def dated(store):
    days = {"a": "2031-01-03", "b": "2031-01-01", "c": "2031-01-02", "d": "2031-01-01"}
    keep(store, *(observation(id_, effectiveDateTime=day) for id_, day in days.items()))
    keep(store, observation("e"))
    return store


@pytest.mark.parametrize("count", [1, 2, 3, 5, 100])
@pytest.mark.parametrize(
    ("sort", "expected"),
    [
        ("date", "bdcae"),
        ("-date", "acbde"),
        ("-date,-_id", "acdbe"),
        ("_id", "abcde"),
        ("-_id", "edcba"),
        ("status,date", "bdcae"),
        ("-_lastUpdated,_id", "abcde"),
    ],
)
def test_every_page_size_gives_the_same_order(dated, sort, expected, count):
    assert "".join(pages(dated, count, ("_sort", sort))) == expected


def test_without_a_sort_in_order_of_creation(dated):
    assert "".join(pages(dated, 2)) == "abcde"


def test_pages_neither_skip_nor_repeat_while_others_write(store):
    keep(store, *(observation(f"x{n:03}", effectiveDateTime="2031-01-02") for n in range(50)))
    written = iter(range(1000))

    def write_more():
        number = next(written)
        keep(store, observation(f"early{number}", effectiveDateTime="2031-01-01"))
        keep(store, observation(f"late{number}", effectiveDateTime="2031-01-03"))
        with store.begin() as unit:
            changed = version(f"x{number:03}", 2)
            row = observation(f"x{number:03}", effectiveDateTime="2031-01-02")
            unit.write([Entry(changed, found_by(row))])

    for sort in ("date", "-date", "_id"):
        ids = pages(store, 7, ("_sort", sort), between=write_more)
        assert [one for one in ids if one.startswith("x")] == [f"x{n:03}" for n in range(50)]
        assert len(set(ids)) == len(ids)


@pytest.mark.parametrize("cursor", ["", "x", "W10", "WzEsMl0", "W3t9XQ", "WzFlMzBd", "é"])
def test_a_cursor_that_was_not_given_is_refused(store, cursor):
    with store.read() as reader, pytest.raises(CursorError):
        reader.search("Observation", count=1, cursor=cursor)


@pytest.mark.parametrize("name", ["_id", "code", "status:not", "date", "family:contains"])
def test_a_search_of_many_parts_is_answered_up_to_a_limit(store, name):
    value = "2031-01-01" if name == "date" else "x"
    type_ = "Patient" if name.startswith("family") else "Observation"
    for pairs in ([(name, ",".join([value] * 199))], [(name, value)] * 100):
        assert found(store, type_, *pairs) == []
    for pairs in ([(name, ",".join([value] * 200))], [(name, value)] * 101):
        with pytest.raises(TooCostlyError):
            found(store, type_, *pairs)


def test_a_changed_resource_is_found_by_what_it_says_now(store):
    keep(store, observation("a"))
    with store.begin() as unit:
        unit.write([Entry(version("a", 2), [TokenRow("status", "", "amended")])])
    assert found(store, "Observation", ("status", "final")) == []
    assert found(store, "Observation", ("status", "amended")) == ["a"]


def test_equal_rows_are_kept_once(store):
    rows = [TokenRow("code", "s", "c"), TokenRow("code", "s", "c")]
    rows += [QuantityRow("q", Decimal(n), Decimal(n), "", "") for n in ("0.1", "0.10")]
    with store.begin() as unit:
        unit.write([Entry(version("a"), rows)])
    assert found(store, "Observation", ("code", "s|c")) == ["a"]


def test_sortable_text_of_equal_numbers_is_equal():
    assert sortable(Decimal("0.10")) == sortable(Decimal("0.1")) == sortable(Decimal("1E-1"))


# -- chains: R4 search.html#chaining and #has -----------------------------------------------------


@pytest.mark.parametrize(
    ("type_", "pairs", "expected"),
    [
        ("Observation", [("subject:Patient.family", "One")], ["log-1"]),
        ("Observation", [("subject.family", "one")], ["log-1"]),
        ("Observation", [("subject.family", "nobody")], []),
        ("Observation", [("based-on:CarePlan.subject:Patient.family", "Two")], ["log-2"]),
        ("Observation", [("subject:Patient.family", "One"), ("status", "amended")], []),
        ("Patient", [("_has:Observation:subject:status", "final")], ["one", "two"]),
        ("Patient", [("_has:CarePlan:subject:status", "revoked")], ["two"]),
        ("Patient", [("_has:CarePlan:subject:_has:Observation:based-on:status", "final")], ["two"]),
        ("Patient", [("_has:CarePlan:subject:status", "revoked"), ("family", "One")], []),
    ],
)
def test_chains_and_reverse_chains(store, type_, pairs, expected) -> None:
    plan = {"resourceType": "CarePlan", "intent": "plan"}
    one, two, gone = ({"reference": f"Patient/{name}"} for name in ("one", "two", "gone"))
    keep(
        store,
        patient("one", name=[{"family": "One"}]),
        patient("two", name=[{"family": "Two"}]),
        plan | {"id": "plan-1", "status": "active", "subject": one},
        plan | {"id": "plan-2", "status": "revoked", "subject": two},
        observation("log-1", subject=one),
        observation("log-2", subject=two, basedOn=[{"reference": "CarePlan/plan-2"}]),
        observation("log-3", subject=gone),
    )
    assert found(store, type_, *pairs) == expected
