"""Rows of somebody's file become documents, and what is wrong with a row is said in its place."""

import csv
import io
from collections.abc import Iterable
from datetime import datetime
from decimal import Decimal
from itertools import pairwise
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from service.mapping.feed_columns import ColumnMap, load_column_maps
from service.mapping.feed_lines import MAX_LINE_BYTES, LineSplitter, LineTooLong, lines_of
from service.mapping.feeds import CsvRows, FeedError, FeedRow, JsonLines, rows_of
from service.programme.log import Session
from service.resources import mappings_dir

MAPS = load_column_maps(mappings_dir() / "feeds")
DIARY = MAPS["phone-diary"]
DEVICE = MAPS["device-export"]

ENTRY = {
    "Entry no": "17",
    "Child no": "C-01",
    "Date": "09/02/2026",
    "Started": "07:20",
    "Finished": "07:41",
    "What we did": "Shaky blowing",
    "Plan line": "opep",
    "How it went": "all of it",
    "If not, why": "",
    "Minutes": "21",
    "Cycles": "6",
    "Breaths": "10",
    "Huffs": "12",
    "What came up": "a teaspoon",
    "Colour": "white",
    "Blood": "no",
    "Chest pain": "no",
    "Felt faint": "",
    "Stopped early because": "",
    "Filled in by": "parent",
    "Who helped": "grandad, mostly",
}
MEASURED = {
    "session_no": "801",
    "user": "C-21",
    "began": "2026.02.09 18.30.05",
    "seconds": "930",
    "kind": "oscillating",
    "ended": "target",
    "rounds": "6",
    "blows_a_round": "10",
    "dial": "3,5",
    "mean_mbar": "14,5",
    "mean_hz": "13,2",
}


def table(column_map: ColumnMap, *entries: dict[str, str]) -> bytes:
    text = io.StringIO()
    writer = csv.DictWriter(
        text, list(entries[0]), delimiter=column_map.delimiter, lineterminator="\r\n"
    )
    writer.writeheader()
    writer.writerows(entries)
    return text.getvalue().encode()


def read_table(column_map: ColumnMap, data: bytes, zone: str | None = None) -> list[FeedRow]:
    return list(rows_of(CsvRows(column_map, zone), lines_of([data])))


def read_entry(changed: dict[str, str], zone: str | None = None) -> FeedRow:
    (row,) = read_table(DIARY, table(DIARY, ENTRY | changed), zone)
    return row


def read_lines(data: bytes) -> list[FeedRow]:
    return list(rows_of(JsonLines(), lines_of([data])))


def document_of(row: FeedRow) -> dict[str, Any]:
    assert row.is_readable, row.findings
    assert row.document is not None
    return row.document


def test_an_entry_of_the_diary_is_a_session() -> None:
    document = document_of(read_entry({}))
    assert document == {
        "source": "phone-diary",
        "recordedBy": "diary",
        "id": {"system": "https://clinic.example/id/diary-entry", "value": "17"},
        "child": {"system": "https://clinic.example/id/child", "value": "C-01"},
        "start": "2026-02-09T07:20:00+00:00",
        "end": "2026-02-09T07:41:00+00:00",
        "technique": "opep",
        "regimen": "opep",
        "outcome": "complete",
        "minutes": Decimal(21),
        "cycles": 6,
        "breaths": 10,
        "huffs": 12,
        "sputum": {"amount": "teaspoon", "colour": "white"},
        "blood": {"seen": "none"},
        "chestPain": False,
        "performer": "parent",
        "helper": "grandad, mostly",
    }
    assert Session.model_validate(document).start.isoformat() == "2026-02-09T07:20:00+00:00"


def test_a_device_s_units_become_ours() -> None:
    """1 mbar is 100 Pa and 1 cm[H2O] is 98.0665 Pa (UCUM), so 14.5 mbar is 14.79 cm[H2O]."""
    (row,) = read_table(DEVICE, table(DEVICE, MEASURED))
    session = Session.model_validate(row.document)
    assert session.pressure == Decimal("14.8")
    assert float(session.pressure) == pytest.approx(14.5 * 100 / 98.0665, abs=0.05)
    assert session.minutes == Decimal("15.5")
    assert session.setting == Decimal("3.5")
    assert session.end is not None
    assert (session.end - session.start).total_seconds() == 930
    assert session.recorded_by == "device"


def test_local_times_take_the_sender_s_zone() -> None:
    berlin = document_of(read_entry({}, "Europe/Berlin"))
    assert berlin["start"] == "2026-02-09T07:20:00+01:00"
    kathmandu = document_of(read_entry({}, "Asia/Kathmandu"))
    assert kathmandu["start"] == "2026-02-09T07:20:00+05:45"


def test_a_time_that_the_clocks_skipped_is_refused() -> None:
    """Europe/London went from 01:00 to 02:00 on 29 March 2026 (IANA time zone database)."""
    row = read_entry({"Date": "29/03/2026", "Started": "01:30", "Finished": "02:10"})
    assert not row.is_readable
    (finding,) = row.findings
    assert finding.expression == "Session.start"
    assert "a time that exists is expected" in finding.diagnostics


def test_a_time_that_came_twice_is_the_first_and_says_so() -> None:
    """Europe/London went from 02:00 back to 01:00 on 25 October 2026."""
    row = read_entry({"Date": "25/10/2026", "Started": "01:30", "Finished": "01:50"})
    assert document_of(row)["start"] == "2026-10-25T01:30:00+01:00"
    (warning,) = row.findings
    assert (warning.severity, warning.expression) == ("warning", "Session.start")


def test_an_end_before_the_start_on_the_clock_is_the_next_day() -> None:
    late = document_of(read_entry({"Started": "23:50", "Finished": "00:10"}))
    assert late["end"] == "2026-02-10T00:10:00+00:00"
    clocks_back = document_of(
        read_entry({"Date": "25/10/2026", "Started": "01:50", "Finished": "01:05"})
    )
    assert clocks_back["end"] == "2026-10-25T01:05:00+00:00"


@pytest.mark.parametrize(
    ("changed", "place", "said"),
    [
        ({"Date": "31/02/2026"}, "Session.start", "25/12/2031 07:30 is expected"),
        ({"Date": ""}, "Session.start", "Date, Started: a value is expected"),
        ({"Child no": ""}, "Session.child", "found nothing"),
        ({"What we did": "trombone"}, "Session.technique", 'found "trombone"'),
        ({"Cycles": "six"}, "Session.cycles", "a whole number is expected"),
        ({"Cycles": "6.0"}, "Session.cycles", "a whole number is expected"),
        ({"Minutes": "21,5"}, "Session.minutes", "a number such as 12.5 is expected"),
        ({"Colour": "tartan"}, "Session.sputum.colour", 'found "tartan"'),
        (
            {"Date": "31/12/9999", "Started": "23:50", "Finished": "00:10"},
            "Session.end",
            "our time",
        ),
    ],
)
def test_a_bad_cell_refuses_its_row(changed: dict[str, str], place: str, said: str) -> None:
    row = read_entry(changed)
    assert not row.is_readable
    (finding,) = row.findings
    assert finding.severity == "error"
    assert finding.expression == place
    assert said in finding.diagnostics


def test_every_bad_cell_of_a_row_is_named() -> None:
    row = read_entry({"Date": "soon", "Cycles": "six", "Blood": "perhaps"})
    assert {finding.expression for finding in row.findings} == {
        "Session.start",
        "Session.cycles",
        "Session.blood.seen",
    }


def test_a_malformed_row_never_takes_the_next_with_it() -> None:
    header, first, _ = table(DIARY, ENTRY).split(b"\r\n", 2)
    data = b"\n".join(
        [
            b"\xef\xbb\xbf" + header,
            first,
            b"",
            b"too;few",
            first.replace(b'"grandad, mostly"', b'"a quote that never ends'),
            first.replace(b"white", b"wei\xdf"),
            first.replace(b"grandad", b"x" * MAX_LINE_BYTES),
            first.replace(b"17,", b"18,", 1),
        ]
    )
    rows = read_table(DIARY, data)
    assert [row.number for row in rows] == [1, 2, 3, 4, 5, 6]
    assert [not row.is_readable for row in rows] == [False, True, True, True, True, False]
    said = [row.findings[0].diagnostics for row in rows[1:5]]
    assert said[0] == "21 cells are expected, 1 found"
    assert said[1].startswith("not a row of CSV")
    assert said[2] == "text is not UTF-8"
    assert "longer than" in said[3]
    assert document_of(rows[5])["id"]["value"] == "18"


def test_a_table_without_its_columns_is_refused_whole() -> None:
    with pytest.raises(FeedError, match="missing: Child no") as refused:
        read_table(DIARY, table(DIARY, ENTRY).replace(b"Child no", b"Child"))
    assert refused.value.findings[0].severity == "error"
    with pytest.raises(FeedError, match="named twice: Cycles"):
        read_table(DIARY, table(DIARY, ENTRY).replace(b"Blood,", b"Cycles,Blood,", 1))


@pytest.mark.parametrize("zone", ["Europe/Atlantis", "../etc/passwd", "/etc/passwd", "\0"])
def test_an_unknown_zone_is_refused(zone: str) -> None:
    with pytest.raises(FeedError, match="an IANA zone is expected"):
        CsvRows(DIARY, zone)


def test_lines_of_json_hold_sessions_states_and_pauses() -> None:
    rows = read_lines(
        b'{"technique":"pep","minutes":12.50}\n\n'
        b'{"kind":"health-state","state":"unwell"}\r\n'
        b'{"kind":"pause","reason":"admission"}'
    )
    assert [(row.number, row.kind) for row in rows] == [
        (1, "session"),
        (2, "health-state"),
        (3, "pause"),
    ]
    assert str(document_of(rows[0])["minutes"]) == "12.50"
    assert document_of(rows[1]) == {"state": "unwell"}


@pytest.mark.parametrize(
    ("line", "place", "said"),
    [
        (b'{"technique":"pep",', "", "not JSON"),
        (b'{"cycles":1,"cycles":2}', "cycles", "cycles"),
        (b'{"minutes":NaN}', "", ""),
        (b"[]", "", "one JSON object a line is expected, found an array"),
        (b'{"kind":"nap"}', "kind", 'found "nap"'),
        (b'{"kind":["pause"]}', "kind", "found an array"),
    ],
)
def test_a_bad_line_refuses_its_row(line: bytes, place: str, said: str) -> None:
    good = b'{"technique":"pep"}'
    rows = read_lines(b"\n".join([good, line, good]))
    assert [not row.is_readable for row in rows] == [False, True, False]
    (finding,) = rows[1].findings
    assert finding.severity in ("error", "fatal")
    assert place in finding.expression
    assert said in finding.diagnostics


@given(st.binary(max_size=300), st.lists(st.integers(0, 300)))
def test_lines_do_not_depend_on_how_the_stream_was_cut(data: bytes, cuts: list[int]) -> None:
    edges = [0, *sorted(cut for cut in cuts if cut <= len(data)), len(data)]
    chunks = [data[low:high] for low, high in pairwise(edges)]
    assert list(lines_of(chunks)) == list(lines_of([data]))


@given(
    st.lists(st.binary(max_size=20).filter(lambda line: b"\n" not in line and b"\r" not in line))
)
def test_lines_come_back(lines: list[bytes]) -> None:
    assert list(lines_of([b"".join(line + b"\n" for line in lines)])) == lines
    assert list(lines_of([b"".join(line + b"\r\n" for line in lines)])) == lines


def test_a_line_without_end_keeps_no_bytes() -> None:
    splitter = LineSplitter(max_bytes=10)
    for _ in range(1000):
        assert splitter.take(b"x" * 1000) == []
    (too_long, good) = splitter.take(b"\nok\n")
    assert isinstance(too_long, LineTooLong)
    assert good == b"ok"
    assert splitter.close() == []


@given(st.datetimes(datetime(2026, 1, 1), datetime(2026, 12, 31)))  # noqa: DTZ001 - a wall clock
@example(datetime(2026, 3, 29, 1, 30))  # noqa: DTZ001 - there is no such time
@example(datetime(2026, 10, 25, 1, 0))  # noqa: DTZ001 - there are two, and the first is meant
def test_a_local_time_is_read_as_the_zone_database_has_it(local: datetime) -> None:
    """Against ``zoneinfo``: every wall-clock time that exists comes back as itself."""
    zone = ZoneInfo("Europe/London")
    aware = local.replace(second=0, microsecond=0, tzinfo=zone)
    exists = datetime.fromtimestamp(aware.timestamp(), zone).replace(tzinfo=None)
    row = read_entry({"Date": f"{local:%d/%m/%Y}", "Started": f"{local:%H:%M}", "Finished": ""})
    if exists != aware.replace(tzinfo=None):
        assert not row.is_readable
    else:
        # Instants: Python holds a time of a repeated hour equal to none in another zone.
        start = datetime.fromisoformat(document_of(row)["start"])
        assert start.timestamp() == aware.timestamp()


def _fields(model: Any, prefix: str = "") -> Iterable[str]:
    for field in model.model_fields.values():
        yield prefix + field.alias
        for inner in getattr(field.annotation, "__args__", ()):
            if hasattr(inner, "model_fields"):
                yield from _fields(inner, f"{prefix}{field.alias}.")


@pytest.mark.parametrize("column_map", MAPS.values(), ids=MAPS.keys())
def test_a_map_speaks_only_of_fields_that_a_session_has(column_map: ColumnMap) -> None:
    fields = set(_fields(Session))
    assert {row.field for row in column_map.fields} | set(column_map.fixed) <= fields
    assert "sputum.colour" in fields
