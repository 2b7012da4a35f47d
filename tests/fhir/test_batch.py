"""Batches: the same findings as one by one, in order, from a bounded part of the input."""

from collections.abc import Iterator

import pytest
from profile_files import FAILING, PASSING, must_fail
from serious import serious

from service.compose import build_definitions
from service.fhir.batch import PORTION_TEXTS, Summary, check_batch
from service.fhir.fast import QuickValidator
from service.fhir.json import read, write
from service.fhir.outcome import Finding
from service.fhir.positions import located
from service.fhir.validation import profile_rules
from service.resources import profiles_dir

GOOD = [write(read(file.read_bytes())) for file in PASSING]
BAD = [(FAILING / row["file"]).read_bytes() for row in must_fail()[::16]]
MIXED = [*GOOD, *BAD, b"{", b"[]", b'{"resourceType":"Patient","resourceType":"Patient"}']


def build() -> QuickValidator:
    rules = profile_rules(read((profiles_dir() / "rules.json").read_bytes()))
    return QuickValidator(build_definitions(), rules)


def many(size: int) -> Iterator[bytes]:
    for number in range(size):
        yield MIXED[number % len(MIXED)]


def one_by_one(size: int) -> list[list[Finding]]:
    validator = build()
    known = [located(validator.validate_text(text), text) for text in MIXED]
    return [known[number % len(MIXED)] for number in range(size)]


@pytest.mark.parametrize("workers", [1, 2])
@pytest.mark.parametrize("size", [0, 1, PORTION_TEXTS, 2 * PORTION_TEXTS + 7])
def test_findings_come_in_the_order_of_the_texts(size: int, workers: int) -> None:
    assert list(check_batch(many(size), build, workers=workers)) == one_by_one(size)


def test_all_cores_unless_told_otherwise() -> None:
    size = 2 * PORTION_TEXTS
    assert list(check_batch(many(size), build)) == one_by_one(size)


def test_profiles_are_asked_for_in_every_process() -> None:
    unknown = "http://x.example/StructureDefinition/unknown"
    texts = [GOOD[0]] * (PORTION_TEXTS + 1)
    found = check_batch(texts, build, profiles=[unknown], workers=2)
    assert {f.key for findings in found for f in serious(findings)} == {"profile-unknown"}


def test_no_more_of_the_input_is_taken_than_is_under_way() -> None:
    taken = 0

    def endless() -> Iterator[bytes]:
        nonlocal taken
        while True:
            taken += 1
            yield GOOD[taken % len(GOOD)]

    found = check_batch(endless(), build, workers=2)
    for _ in range(10):
        assert serious(next(found)) == []
    found.close()  # type: ignore[attr-defined]
    assert taken <= 8 * PORTION_TEXTS


def test_a_summary_by_constraint() -> None:
    summary = Summary()
    summary.add([])
    summary.add([Finding("error", "invariant", "Patient", "x", "pat-1")] * 2)
    summary.add([Finding("warning", "invariant", "Patient", "x", "dom-6")])
    summary.add([Finding("error", "structure", "", "x")])
    assert (summary.checked, summary.failed) == (4, 2)
    assert summary.rows() == [
        ("error", "pat-1", 2),
        ("error", "structure", 1),
        ("warning", "dom-6", 1),
    ]
