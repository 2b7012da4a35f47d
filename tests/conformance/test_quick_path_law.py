"""What the quick path calls clean has no error and no warning: over every set of cases at hand.

Sources: the examples of the FHIR R4 specification and one-fault changes of them, minimal instances
that break one invariant each, and the official validator cases, all from the reference data beside
the checkout; and our own examples that must pass and must fail.
"""

import json
from pathlib import Path
from typing import Any

from profile_files import FAILING, PASSING, must_fail
from quick_path import JUDGED, both, law_holds
from shared_data import shared


def _clean(files: list[Path]) -> int:
    return sum(law_holds(file.read_bytes()) for file in files)


def _json_files(folder: str) -> list[Path]:
    return [file for file in sorted(shared(folder).glob("*.json")) if file.name != "index.json"]


def test_examples_of_the_specification() -> None:
    # Bundles, contained resources and extensions of primitives are left to the other path.
    files = _json_files("conformance/examples")
    assert _clean(files) > len(files) / 2


def test_validator_cases() -> None:
    assert _clean(_json_files("conformance/validator-cases/instances")) > 0


def test_our_examples() -> None:
    assert _clean(PASSING) == len(JUDGED)
    quick, _ = both()
    for row in must_fail():
        text = (FAILING / row["file"]).read_bytes()
        law_holds(text)
        assert not quick.is_clean_text(text, [row["profile"]]), row["file"]


def test_invariant_probes() -> None:
    probes = json.loads(shared("conformance/invariant-probes/probes.json").read_text("utf-8"))
    assert not any(law_holds(json.dumps(probe["resource"]).encode()) for probe in probes)
    valid = json.loads(shared("conformance/invariant-probes/valid.json").read_text("utf-8"))
    assert sum(law_holds(json.dumps(resource).encode()) for resource in valid) > len(valid) / 2


def test_one_fault_mutations() -> None:
    rows = json.loads(shared("conformance/mutations/mutations.json").read_text("utf-8"))
    texts: dict[str, str] = {}
    for row in rows:
        file = row["file"]
        if file not in texts:
            texts[file] = shared(f"conformance/examples/{file}").read_text("utf-8")
        changed = patched(json.loads(texts[file]), row["patch"])
        assert not law_holds(json.dumps(changed).encode()), row["id"]


def patched(resource: Any, operations: list[dict[str, Any]]) -> Any:
    """The resource after add, replace and remove operations of JSON Patch (RFC 6902)."""
    for operation in operations:
        *outer, last = (
            step.replace("~1", "/").replace("~0", "~") for step in operation["path"].split("/")[1:]
        )
        place = resource
        for step in outer:
            place = place[int(step) if isinstance(place, list) else step]
        if isinstance(place, list):
            at = len(place) if last == "-" else int(last)
            if operation["op"] == "add":
                place.insert(at, operation["value"])
            else:
                place[at : at + 1] = [operation["value"]] if operation["op"] == "replace" else []
        elif operation["op"] == "remove":
            del place[last]
        else:
            place[last] = operation["value"]
    return resource
