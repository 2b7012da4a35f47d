"""What is stored can be read again: a resource that the server's own metadata would make too long
for the reader is refused before anything is written."""

import pytest
from record_samples import AUTHOR, patient

from service.compose import build_maker
from service.fhir.json import MAX_BYTES, JsonObject, read, write
from service.fhir.patch import JsonPatch
from service.record import Create, Patch, Record, Update
from service.record.bodies import LONGEST
from service.record.bulk.rows import SentRow
from service.record.errors import TooLong
from service.record.prepared import Prepared


def of_size(size: int, id_: str = "long") -> JsonObject:
    """A resource whose text has so many bytes: texts end at a mebibyte, data do not."""
    resource = {"resourceType": "Binary", "id": id_, "contentType": "a/b", "data": ""}
    fours, rest = divmod(size - len(write(resource)), 4)
    return resource | {"contentType": "a/b" + "b" * rest, "data": "AAAA" * fours}


def test_the_longest_resource_is_read_again_in_every_version(record: Record) -> None:
    record.write([Update(of_size(LONGEST - 1))], AUTHOR)
    for number in range(2, 5):
        size = LONGEST - number % 2
        record.write([Update(of_size(size))], AUTHOR)
        found = record.read(AUTHOR, "Binary", "long")
        assert found.version == number
        assert LONGEST < len(found.body) <= MAX_BYTES
        assert read(found.body)["data"] == of_size(size)["data"]


@pytest.mark.parametrize("size", [LONGEST + 1, MAX_BYTES])
def test_a_longer_one_is_refused_and_nothing_is_written(record: Record, size: int) -> None:
    resource = of_size(size)
    assert len(write(resource)) == size
    with pytest.raises(TooLong) as refused:
        record.write([Update(patient(id="other")), Update(resource)], AUTHOR)
    assert refused.value.status == 413
    (finding,) = refused.value.findings
    assert (finding.code, finding.expression) == ("too-long", "Bundle.entry[1].resource")
    assert record.events(0) == []


def test_an_id_of_the_server_counts(record: Record) -> None:
    resource = of_size(LONGEST, "")
    del resource["id"]
    with pytest.raises(TooLong):
        record.write([Create(resource)], AUTHOR)
    assert record.events(0) == []


def test_a_patch_that_makes_it_too_long_is_refused(record: Record) -> None:
    record.write([Update(of_size(LONGEST - 10))], AUTHOR)
    longer = JsonPatch([{"op": "add", "path": "/contentType", "value": "text/plain;charset=utf-8"}])
    with pytest.raises(TooLong):
        record.write([Patch("Binary", "long", longer)], AUTHOR)
    assert record.read(AUTHOR, "Binary", "long").version == 1


def test_of_several_each_for_itself_the_others_are_kept(record: Record) -> None:
    told = record.write_each([Update(patient(id="p")), Update(of_size(LONGEST + 1))], AUTHOR)
    assert isinstance(told[1], TooLong)
    assert [(one.type, one.id) for one in record.events(0)][:1] == [("Patient", "p")]


def test_a_row_of_a_bulk_load_is_refused_alone() -> None:
    make = build_maker()
    kept, refused = make([*map(_row, (LONGEST, LONGEST + 1))])
    assert isinstance(kept, Prepared)
    assert isinstance(refused, tuple)
    assert [finding.code for finding in refused] == ["too-long"]


def _row(size: int) -> SentRow:
    return SentRow(1, write(of_size(size)))
