"""Every break of every profile is reported at its place, and never called clean."""

import sys
from collections import Counter
from typing import Any

import pytest
from breaks import Break, Breaker
from profile_files import PASSING, definitions
from quick_path import both
from serious import serious

from service.compose import build_definitions
from service.fhir.json import read, write

PROFILES = {
    profile["url"]: profile
    for profile in definitions("structuredefinitions").values()
    if profile["type"] != "Extension"
}
DOCUMENTS = [read(file.read_bytes()) for file in PASSING]
BREAKER = Breaker(build_definitions())
KINDS = {
    "required element dropped", "another type", "another code", "another fixed value",
    "second type of a choice", "slice broken", "slice met too often", "bound passed",
    "reference to nothing", "reference to another type",
}  # fmt: skip


def meant_for(profile: dict[str, Any]) -> list[dict[str, Any]]:
    """Our examples that meet the profile because of what they are."""
    quick, _ = both()
    return [
        document
        for document in DOCUMENTS
        if document["resourceType"] == profile["type"]
        and profile["url"] in quick._applying(profile["type"], document, ())
    ]


def every_break() -> list[tuple[str, dict[str, Any], Break]]:
    found = []
    for url, profile in PROFILES.items():
        seen = set()
        for document in meant_for(profile):
            for one in BREAKER.breaks(profile, document):
                alike = (one.kind, one.rule, tuple(s for s in one.steps if isinstance(s, str)))
                if alike not in seen:  # the same break in the same place of many examples is one
                    seen.add(alike)
                    found.append((url, document, one))
    return found


BREAKS = every_break()


def test_every_profile_is_broken_in_every_way_it_can_be() -> None:
    assert {url for url, _, _ in BREAKS} == PROFILES.keys()
    assert {one.kind for _, _, one in BREAKS} == KINDS


@pytest.mark.parametrize("url", PROFILES)
def test_breaks_are_reported_at_their_place(url: str, capsys: pytest.CaptureFixture[str]) -> None:
    quick, validator = both()
    told, untold = Counter[str](), []
    for of, document, one in BREAKS:
        if of != url:
            continue
        broken = one.of(document)
        findings = serious(validator.validate(broken, [url]))
        assert not quick.is_clean(broken, [url]), one
        assert not quick.is_clean_text(write(broken), [url]), one
        if any(one.is_told_by(finding.expression) for finding in findings):
            told[one.kind] += 1
        else:
            untold.append((one, [(f.key, f.expression) for f in findings]))
    with capsys.disabled():
        counts = ", ".join(f"{kind} {count}" for kind, count in sorted(told.items()))
        sys.stdout.write(f"\n{url.rsplit('/', 1)[1]}: {told.total()} breaks reported ({counts})")
    assert untold == []
