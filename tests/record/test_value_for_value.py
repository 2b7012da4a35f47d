"""What was accepted comes back with the same values, digits and precision: examples and laws."""

import json
from decimal import Decimal
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from record_samples import AUTHOR, observation, patient
from shared_data import shared

from service.api.types import STORED
from service.fhir.json import read
from service.record import Create, Update
from service.record.errors import RecordError


def plain(text: bytes | str, *, own: bool = False):
    """The values by the standard library, numbers as exact digits; without the server's own."""
    value = json.loads(text, parse_float=lambda digits: Decimal(digits).as_tuple())
    if own:
        meta = value["meta"]
        del meta["versionId"], meta["lastUpdated"]
        if not meta:
            del value["meta"]
    return value


def without_own(value):
    value = dict(value)
    meta = {n: v for n, v in value.get("meta", {}).items() if n not in ("versionId", "lastUpdated")}
    value.pop("meta", None)
    return value | ({"meta": meta} if meta else {})


# -- official examples: HL7 FHIR R4 (4.0.1), CC0-1.0 ---------------------------------------------


def examples() -> list[Path]:
    """Of the types that are found by something; without those that the list of errata names."""
    data = Path(__file__).parents[3] / "shared" / "conformance"
    errata = data / "r4-errata.json"
    rows = json.loads(errata.read_text("utf-8")) if errata.is_file() else []
    flagged = {row.get("example") for row in rows}
    return [
        path
        for path in sorted((data / "examples").glob("*.json"))
        if path.name.partition("-")[0] in STORED and path.stem not in flagged
    ]


def test_official_examples_are_found():
    shared("conformance/examples")
    assert len(examples()) > 100


@pytest.mark.parametrize("path", examples(), ids=lambda path: path.stem)
def test_official_examples_come_back_value_for_value(record, path):
    text = path.read_text("utf-8")
    resource = read(text)
    made = record.write([Update(resource)], AUTHOR)[0]
    stored = record.read(AUTHOR, resource["resourceType"], resource["id"])
    assert stored.body == made.body
    assert plain(stored.body, own=True) == without_own(plain(text))
    assert record.write([Update(resource)], AUTHOR)[0].done == "unchanged"


# -- laws ----------------------------------------------------------------------------------------

decimals = st.decimals(
    min_value=Decimal("-1e20"), max_value=Decimal("1e20"), allow_nan=False, places=None
).filter(lambda number: number.adjusted() > -30 and len(number.as_tuple().digits) < 18)
texts = st.text(
    st.characters(exclude_categories=("Cs", "Cc", "Zl", "Zp", "Zs", "Cn")), min_size=1, max_size=20
)
dates = st.dates().map(str).flatmap(lambda day: st.sampled_from([day, day[:7], day[:4]]))

relaxed = settings(
    max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)


@relaxed
@given(number=decimals, unit=texts, note=texts)
def test_any_number_and_text_come_back(record, number, unit, note):
    resource = observation(number)
    resource["valueQuantity"]["unit"] = unit
    resource["note"] = [{"text": note}]
    made = record.write([Create(resource)], AUTHOR)[0]
    stored = read(record.read(AUTHOR, "Observation", made.id).body)
    found = stored["valueQuantity"]["value"]
    assert Decimal(found).as_tuple() == number.as_tuple() or (found, number) == (0, 0)
    assert stored["valueQuantity"]["unit"] == unit
    assert stored["note"][0]["text"] == note


@relaxed
@given(birth=dates, family=texts, active=st.booleans())
def test_what_is_read_can_be_written_back_and_changes_nothing(record, birth, family, active):
    resource = patient(birthDate=birth, active=active, name=[{"family": family}])
    made = record.write([Create(resource)], AUTHOR)[0]
    again = record.write([Update(read(made.body))], AUTHOR)[0]
    assert (again.done, again.body) == ("unchanged", made.body)


@relaxed
@given(values=st.lists(st.integers(0, 3), min_size=1, max_size=8))
def test_the_history_has_one_version_for_each_change(record, values):
    made = record.write([Create(observation(values[0]))], AUTHOR)[0]
    for value in values[1:]:
        record.write([Update(observation(value, id=made.id))], AUTHOR)
    changes = [v for n, v in enumerate(values) if n == 0 or values[n - 1] != v]
    versions = record.versions(AUTHOR, [("Observation", made.id)])
    assert [read(one.body)["valueQuantity"]["value"] for one in versions] == changes
    assert [one.version for one in versions] == list(range(1, len(changes) + 1))
    current = record.read(AUTHOR, "Observation", made.id)
    assert current == versions[-1]


@relaxed
@given(good=st.lists(st.booleans(), max_size=12))
def test_a_batch_keeps_the_good_rows_and_a_unit_keeps_all_or_none(record, good):
    before = record.total(AUTHOR, "Observation")
    rows = [Create(observation(status="final" if fine else "nope")) for fine in good]
    results = record.write_each(rows, AUTHOR)
    assert [not isinstance(one, RecordError) for one in results] == good
    assert record.total(AUTHOR, "Observation") == before + sum(good)
    if all(good):
        record.write(rows, AUTHOR)
    else:
        with pytest.raises(RecordError):
            record.write(rows, AUTHOR)
    kept = len(good) if all(good) else 0
    assert record.total(AUTHOR, "Observation") == before + sum(good) + kept


# -- one element after the other -------------------------------------------------------------------


@pytest.mark.parametrize("text", ["0.10", "12.50", "1.2E+2", "120", "0.000", "-0.5", "1E-7"])
def test_a_decimal_keeps_its_digits(record, text):
    made = record.write([Create(observation(Decimal(text)))], AUTHOR)[0]
    stored = record.read(AUTHOR, "Observation", made.id).body
    assert f'"value":{text}'.encode() in stored
    assert record.vread(AUTHOR, "Observation", made.id, 1).body == stored
    assert record.history(AUTHOR, "Observation", made.id).versions[0].body == stored


@pytest.mark.parametrize("text", ["1987", "1987-04", "1987-04-30"])
def test_a_date_keeps_its_precision(record, text):
    made = record.write([Create(patient(birthDate=text))], AUTHOR)[0]
    assert read(made.body)["birthDate"] == text


@pytest.mark.parametrize(
    "text", ["2031-03-09T07:05:00+05:45", "2031-03-09T07:05:00.500Z", "2016-12-31T23:59:60Z"]
)
def test_a_time_keeps_its_text(record, text):
    made = record.write([Create(observation(effectiveDateTime=text))], AUTHOR)[0]
    assert read(made.body)["effectiveDateTime"] == text


def test_an_extension_on_a_primitive_is_kept(record):
    unknown = {"extension": [{"url": "https://clinic.example/why", "valueCode": "unknown"}]}
    made = record.write([Create(patient(birthDate="2019", _birthDate=unknown))], AUTHOR)[0]
    assert read(made.body)["_birthDate"] == unknown


def test_the_server_adds_its_own_metadata_and_keeps_the_rest(record, clock):
    meta = {"versionId": "77", "lastUpdated": "1999-01-01T00:00:00Z", "tag": [{"code": "x"}]}
    made = record.write([Create(observation(id="mine", meta=meta))], AUTHOR)[0]
    assert read(made.body)["id"] == made.id != "mine"
    assert read(made.body)["meta"] == {
        "versionId": "1",
        "lastUpdated": "2031-03-09T12:00:00.000Z",
        "tag": [{"code": "x"}],
    }
    assert made.instant == clock.now
