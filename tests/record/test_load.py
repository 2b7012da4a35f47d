"""Files of session logs into the record."""

from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

from service.clinic import clinic_module
from service.mapping.feeds import FeedError
from service.record import Actor, Record
from service.record.load import column_maps, load_files
from service.record.programmes import Programmes

DESK = Actor("The clinic's desk")
CLINIC = clinic_module().invent()
RECEIVED = datetime(2026, 7, 1, 9, tzinfo=UTC)


@pytest.fixture
def files(record: Record, clock: Any, tmp_path: Path) -> Path:
    """The files of the invented clinic, and its first plans in the record."""
    programmes = Programmes(record, clock)
    for posting in CLINIC.programmes:
        if posting.document["id"] in ("home-c-01", "home-c-16", "home-c-31", "home-c-40"):
            programmes.post(posting.document, DESK)
    clinic_module().write_clinic(CLINIC, tmp_path)
    return tmp_path / "3-feeds"


def test_files_are_loaded_one_after_the_other(record: Record, files: Path) -> None:
    read: list[int] = []
    paths = [files / "12-diary-june-again.csv", files / "31-app-may-again.ndjson"]
    rows = list(
        load_files(
            record, DESK, paths, received=RECEIVED, column_map="phone-diary", progress=read.append
        )
    )
    assert sum(read) == sum(path.stat().st_size for path in paths)
    first = [row.answer for row in rows if row.path == paths[0]]
    second = [row.answer for row in rows if row.path == paths[1]]
    assert [answer.row for answer in first] == list(range(1, len(first) + 1))
    assert {answer.status for answer in second} == {"accepted"}
    accepted = sum(row.answer.status == "accepted" for row in rows)
    assert record.total(DESK, "Observation") == accepted > 60
    again = load_files(record, DESK, paths[1:], received=RECEIVED)
    assert {row.answer.status for row in again} == {"duplicate"}
    assert record.total(DESK, "Observation") == accepted


def test_a_spoiled_file_gives_its_good_rows_and_a_reason_for_each_bad_one(
    record: Record, files: Path
) -> None:
    path = files / "50-spoiled.csv"
    rows = load_files(record, DESK, [path], received=RECEIVED, column_map="phone-diary")
    answers = [row.answer for row in rows]
    bad = [answer for answer in answers if answer.status == "refused"]
    assert [answer.row for answer in answers if answer.status == "accepted"] == [1, 15]
    assert len(bad) == 13
    assert all(answer.findings[0].diagnostics for answer in bad)
    places = {finding.expression for answer in bad for finding in answer.findings}
    assert places == {
        "",
        "Session.child",
        "Session.minutes",
        "Session.outcome",
        "Session.regimen",
        "Session.start",
        "Session.technique",
    }


def test_a_table_needs_a_column_map_that_exists(record: Record, files: Path) -> None:
    paths = [files / "50-spoiled.csv"]
    for name in (None, "nobodys"):
        with pytest.raises(FeedError, match="device-export, phone-diary"):
            list(load_files(record, DESK, paths, received=RECEIVED, column_map=name))
    assert set(column_maps()) == {"device-export", "phone-diary"}


def test_a_file_that_is_not_there_is_an_error_after_those_before_it(
    record: Record, files: Path
) -> None:
    paths = [files / "31-app-may-again.ndjson", files / "nowhere.ndjson"]
    rows = load_files(record, DESK, paths, received=RECEIVED)
    with pytest.raises(FileNotFoundError):
        for _ in rows:
            pass
    assert record.total(DESK, "Observation") == 46
