"""The tables: start-up fails when one does not fit, and codes are those that may be claimed."""

import csv
import json
import re
import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import get_args

import pytest
from shared_data import shared

from service.mapping.canonical import BASE, code_system
from service.mapping.conceptmaps import load_concept_maps
from service.mapping.converters import UCUM_UNITS
from service.mapping.errors import TableError
from service.mapping.tables import PARTS, load_tables, tables
from service.programme.catalogue import TECHNIQUES
from service.programme.log import Session
from service.programme.plan import PlanStatus
from service.resources import mappings_dir, profiles_dir


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A copy of the mappings to break."""
    for name in ("programme", "log", "conceptmaps"):
        shutil.copytree(mappings_dir() / name, tmp_path / name)
    return tmp_path


def replace(file: Path, old: str, new: str) -> None:
    text = file.read_text(encoding="utf-8")
    assert old in text
    file.write_text(text.replace(old, new), encoding="utf-8")


def rows() -> Iterator[tuple[Path, dict[str, str]]]:
    for folder in ("programme", "log"):
        for file in sorted((mappings_dir() / folder).glob("*.csv")):
            with file.open(encoding="utf-8", newline="") as lines:
                yield from ((file, row) for row in csv.DictReader(lines))


FILES = sorted({file.relative_to(mappings_dir()) for file, _ in rows()})


def test_the_tables_of_the_project_fit() -> None:
    assert tables()["regimen"].resource == "ServiceRequest"


@pytest.mark.parametrize("file", FILES, ids=str)
def test_any_field_without_a_row_stops_the_start(folder: Path, file: Path) -> None:
    """Each row that brings a field back is taken away in turn, with the field's other rows."""
    path, model = folder / file, PARTS[file.stem].__name__
    lines = path.read_text(encoding="utf-8").splitlines(keepends=True)
    fields = [row for where, row in rows() if where.relative_to(mappings_dir()) == file]
    own = {row["document"] for row in fields if row["document"].startswith(f"{model}.")}
    assert own
    for document in own:
        kept = [line for line in lines if not line.startswith(f"{document},")]
        path.write_text("".join(kept), encoding="utf-8")
        with pytest.raises(TableError, match=re.escape(f"{document.split('[]')[0]}")):
            load_tables(folder)


@pytest.mark.parametrize(
    ("file", "old", "new", "words"),
    [
        ("programme/regimen.csv", "Regimen.dose.rest,", "Regimen.dose.respite,", "not a field"),
        ("programme/regimen.csv", "Regimen.oneOf,", "Device.oneOf,", "another table"),
        ("programme/regimen.csv", "quantity,Hz", "quantity,hertz", "hertz"),
        ("programme/regimen.csv", "(rest).valueQuantity,quantity", "(rest).value,amount", "amount"),
        ("programme/regimen.csv", "(rest).valueQuantity", "(hold).valueQuantity", "two rows"),
        ("programme/regimen.csv", "technique-to-snomed", "no-such-map", "no concept map"),
        (
            "programme/regimen.csv",
            "phase)[].extension(name)",
            "phase).extension(name)",
            "not in the el",
        ),
        ("programme/regimen.csv", "table,schedule", "table,goal", "not the table of Schedule"),
        ("programme/regimen.csv", "supportingInfo,reference", "supportingInfo,link", "set by code"),
        ("programme/goal.csv", "expressedBy,link", "expressedBy.reference,same", "set by code"),
        ("programme/team.csv", "telecom(phone)", "contact(phone)", "no slices"),
        ("log/session.csv", "Session.helper,", "Session..helper,", "not a document path"),
        ("log/session.csv", "document,element", "field,element", "columns"),
        ("log/pause.csv", "Observation.effectivePeriod.end", "Encounter.end", "one resource"),
    ],
)
def test_a_row_that_is_wrong_stops_the_start(
    folder: Path, file: str, old: str, new: str, words: str
) -> None:
    replace(folder / file, old, new)
    with pytest.raises(TableError, match=words):
        load_tables(folder)


def test_a_missing_table_stops_the_start(folder: Path) -> None:
    (folder / "log" / "pause.csv").unlink()
    with pytest.raises(TableError, match="no table"):
        load_tables(folder)


def test_every_fault_is_told_at_once(folder: Path) -> None:
    replace(folder / "programme/review.csv", "Review.kind,", "Review.sort,")
    replace(folder / "programme/goal.csv", "Goal.start,", "Goal.begin,")
    with pytest.raises(TableError) as refusal:
        load_tables(folder)
    for fault in (
        "Review.kind has no row",
        "Review.sort is not",
        "Goal.start has no",
        "Goal.begin",
    ):
        assert fault in str(refusal.value)


def test_concept_maps_speak_of_every_code() -> None:
    maps = load_concept_maps(mappings_dir() / "conceptmaps")
    assert set(maps["technique-to-snomed"].codings) == set(TECHNIQUES)
    assert set(maps["plan-status-to-goal-status"].codings) == set(get_args(PlanStatus))
    outcomes = set(get_args(Session.model_fields["outcome"].annotation))
    assert set(maps["outcome-to-absent-reason"].codings) == outcomes


def test_the_catalogue_and_the_concept_map_agree_on_chest_physiotherapy() -> None:
    """A wider code only where the catalogue calls the technique chest physiotherapy."""
    codings = load_concept_maps(mappings_dir() / "conceptmaps")["technique-to-snomed"].codings
    for code, found in codings.items():
        if any(coding["code"] == "34431008" for coding in found):
            assert TECHNIQUES[code].chest_physiotherapy


def test_our_code_systems_in_the_tables_are_published() -> None:
    published = {file.stem for file in (profiles_dir() / "codesystems").glob("*.json")}
    named = {
        name
        for _, row in rows()
        for name in re.findall(r"(?:coding|category)\(([a-z0-9-]+)\)", row["element"])
    }
    ours = {name for name in named if code_system(name).startswith(BASE)}
    assert ours
    assert ours <= published


def test_standard_codes_are_verified() -> None:
    """Every code that claims SNOMED CT, LOINC or UCUM, against the list of verified codes."""
    facts = json.loads(shared("facts/codes.json").read_text(encoding="utf-8"))["codes"]
    verified = {
        (fact["system"], code)
        for fact in facts
        if fact["status"] == "verified"
        for code in (fact["code"] if isinstance(fact["code"], list) else [fact["code"]])
    }
    claimed = {("http://unitsofmeasure.org", unit) for unit in UCUM_UNITS}
    claimed |= {("http://snomed.info/sct", "734163000")}
    for translation in load_concept_maps(mappings_dir() / "conceptmaps").values():
        for codings in translation.codings.values():
            claimed |= {(coding["system"], coding["code"]) for coding in codings}
    standard = ("http://snomed.info/sct", "http://loinc.org", "http://unitsofmeasure.org")
    assert {pair for pair in claimed if pair[0] in standard} <= verified
