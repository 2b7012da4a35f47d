"""The files of a release: same bytes, no exact small number, and nothing that gives it away."""

import csv
import io
import json
from datetime import datetime, timedelta, timezone

import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st
from pycanon.anonymity import k_anonymity, l_diversity
from registry_children import RULES, children_alike, invented_children

from service.registry.anonymise import anonymise
from service.registry.children import ChildRecord
from service.registry.codebook import codebook_json, codebook_markdown
from service.registry.half_year import HalfYear
from service.registry.publish import Release, publish, shown_count, shown_share

_MADE = datetime(2026, 7, 3, 10, 0, tzinfo=timezone(timedelta(hours=2)))


def _published(children: list[ChildRecord]) -> Release:
    result = anonymise([child.fields() for child in children], RULES)
    return publish(result, RULES, HalfYear.parse("2026-H1"), _MADE)


# Where k is 5, in the manner of the published rules on small cells: nought may be shown, one up to
# the threshold may not (US CMS cell size suppression policy, 26 January 2024; its threshold is 11).
@pytest.mark.parametrize(
    ("count", "shown"), [(0, 0), (1, "<5"), (4, "<5"), (5, 5), (12, 12), (10_000, 10_000)]
)
def test_a_small_number_is_not_shown(count: int, shown: str | int) -> None:
    assert shown_count(count, 5) == shown


def test_the_small_cell_vectors_of_the_us_policy() -> None:
    assert [shown_count(count, 11) for count in (0, 1, 7, 8, 10, 11, 12)] == [
        *(0, "<11", "<11", "<11", "<11"),
        *(11, 12),
    ]


@given(st.integers(5, 3000))
def test_a_share_never_gives_a_hidden_number_away(records: int) -> None:
    """ "8% of 50 children" gives 4 away: for every hidden number the same limit is shown."""
    shown = {shown_share(suppressed, records, 5) for suppressed in (1, 2, 3, 4)}
    assert len(shown) == 1
    limit = shown.pop()
    assert limit.startswith("<")
    assert float(limit[1:-1]) >= 100 * 5 / (records + 5)
    assert shown_share(0, records, 5) == "0.0%"


def test_the_manifest_is_the_same_whether_one_or_four_children_were_left_out() -> None:
    """Whoever has two manifests and the records cannot work out the number by subtraction."""
    alone = children_alike(1, sex="male", condition="asthma", age_years=2)[0]
    manifests = {
        _published([*children_alike(40), *[alone] * strangers]).manifest
        for strangers in (1, 2, 3, 4)
    }
    assert len(manifests) == 1
    manifest = json.loads(manifests.pop())
    assert (manifest["records"], manifest["suppressed"]) == (40, "<5")
    assert manifest["suppressedShare"] == "<11.2%"


def test_the_manifest_says_what_was_done() -> None:
    release = _published(invented_children(300))
    manifest = release.summary
    rows = release.ndjson.splitlines()
    assert manifest["notice"].startswith("k-anonymised, not anonymous in law")
    assert (manifest["halfYear"], manifest["madeAt"]) == ("2026-H1", "2026-07-03T08:00:00+00:00")
    assert manifest["records"] == len(rows)
    assert manifest["classes"] >= 3
    assert manifest["k"] >= manifest["policy"]["k"] == 5
    assert manifest["distinctBands"] >= manifest["policy"]["distinctBands"] == 2
    assert set(manifest["levels"]) == set(json.loads(rows[0])) - {"adherence_band"}


def test_both_formats_hold_the_same_records() -> None:
    release = _published(invented_children(300))
    from_csv = list(csv.DictReader(io.StringIO(release.csv.decode(), newline="")))
    assert from_csv == [json.loads(line) for line in release.ndjson.splitlines()]
    assert release.csv.count(b"\r\n") == len(from_csv) + 1


@pytest.mark.parametrize("count", [40, 250, 1000])
def test_k_and_distinct_bands_of_the_written_file_equal_those_of_pycanon(count: int) -> None:
    """The file as a researcher reads it; pycanon is a published library for these measures."""
    release = _published(invented_children(count))
    table = pd.read_csv(io.BytesIO(release.csv))
    assert len(table.dropna()) == len(table) == release.summary["records"]
    quasi = [column.name for column in RULES.quasi_identifiers]
    assert k_anonymity(table, quasi) == release.summary["k"] >= 5
    assert l_diversity(table, quasi, ["adherence_band"]) == release.summary["distinctBands"] >= 2
    assert release.summary["classes"] == table.groupby(quasi).ngroups


def test_every_released_value_is_explained_by_the_code_book() -> None:
    release = _published(invented_children(300))
    levels = release.summary["levels"]
    book = {column["name"]: column for column in codebook_json(RULES)["columns"]}
    for line in release.ndjson.splitlines():
        for name, value in json.loads(line).items():
            level = book[name]["levels"][levels.get(name, {"level": 0})["level"]]
            assert value in _labels(level, value), (name, value)


def _labels(level: dict[str, object], value: str) -> set[str]:
    if "as given" in level:
        return {value}
    if "any of" not in level:
        return set(level)
    whole = value.split("+")
    return {value} if set(whole) <= {*level["any of"], level["none"]} else set()  # type: ignore


def test_the_code_book_describes_every_column_and_names_its_source() -> None:
    page = codebook_markdown(RULES)
    for column in RULES.column:
        assert f"## {column.name}" in page
        assert column.source in page
    assert page.startswith("# Code book")
    assert "not anonymous in law" in page


def test_a_stored_release_comes_back_byte_for_byte() -> None:
    release = _published(invented_children(60))
    assert Release.from_bytes(release.to_bytes()) == release


def test_the_same_children_make_the_same_bytes() -> None:
    children = invented_children(200)
    assert _published(children) == _published(children[::-1])
