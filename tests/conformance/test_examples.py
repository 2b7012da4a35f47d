"""Official R4 specification examples: accepted, and given back value for value.

Source: the examples of the FHIR R4 specification (CC0), read from the reference data beside the
checkout; the ones that are known to break base rules are listed there too.
"""

import json as reference
from decimal import Decimal
from pathlib import Path
from typing import Any

from search_language import found_by
from shared_data import shared

from service.fhir import json
from service.fhir.definitions import Definitions
from service.fhir.structure import type_facts
from service.fhir.validation import Validator

VALIDATOR = Validator(Definitions())


def examples() -> list[Path]:
    flagged = reference.loads(shared("conformance/r4-errata.json").read_text("utf-8"))
    known_bad = {row["example"] for row in flagged if "example" in row}
    files = sorted(shared("conformance/examples").glob("*.json"))
    return [f for f in files if f.stem not in known_bad and f.name != "index.json"]


def digits(value: Any) -> Any:
    """The value with each number as the text of its digits."""
    return reference.loads(value, parse_float=str, parse_int=str)


def test_every_example_is_accepted() -> None:
    files = examples()
    refused = {}
    for file in files:
        findings = VALIDATOR.validate(json.read(file.read_bytes()))
        errors = [f for f in findings if f.severity in {"error", "fatal"}]
        if errors:
            refused[file.name] = errors[0]
    assert len(files) > 300
    assert refused == {}


def test_every_example_comes_back_value_for_value() -> None:
    for file in examples():
        text = file.read_bytes()
        value = json.read(text)
        assert digits(json.write(value)) == digits(text), file.name
        assert value == reference.loads(text, parse_float=Decimal), file.name


def test_every_example_gives_index_rows() -> None:
    kinds = set()
    for file in examples():
        resource = json.read(file.read_bytes())
        if found_by(resource):
            kinds.add(resource["resourceType"])
    assert {"Patient", "Observation", "CarePlan", "ServiceRequest", "Goal", "Consent"} <= kinds


def test_one_fault_mutations_are_caught() -> None:
    """One-fault changes of the examples; each fault was confirmed by the makers of the set."""
    rows = reference.loads(shared("conformance/mutations/mutations.json").read_text("utf-8"))
    texts: dict[str, bytes] = {}
    missed = []
    for row in rows:
        file = row["file"]
        if file not in texts:
            texts[file] = shared(f"conformance/examples/{file}").read_bytes()
        changed = patched(json.read(texts[file]), json.read(reference.dumps(row["patch"])))
        findings = VALIDATOR.validate(changed)
        wanted = {"error", "warning"} if row["rule"] == "reference-target" else {"error"}
        if not wanted & {f.severity for f in findings}:
            missed.append(row["detail"])
    assert missed == []


def patched(document: Any, operations: list[Any]) -> Any:
    """JSON Patch (RFC 6902), as far as the set uses it: add, remove, replace."""
    for operation in operations:
        *steps, last = [
            s.replace("~1", "/").replace("~0", "~") for s in operation["path"].split("/")[1:]
        ]
        place = document
        for step in steps:
            place = place[int(step)] if isinstance(place, list) else place[step]
        key = (len(place) if last == "-" else int(last)) if isinstance(place, list) else last
        if operation["op"] == "remove":
            del place[key]
        elif operation["op"] == "add" and isinstance(place, list):
            place.insert(key, operation["value"])
        else:
            place[key] = operation["value"]
    return document


def test_the_structure_is_that_of_4_0_1() -> None:
    """Element names, repetition and presence against the published 4.0.1 element table."""
    table = reference.loads(shared("conformance/r4-structure.json").read_text("utf-8"))["types"]
    compared = 0
    for name, published in table.items():
        facts = type_facts(name)
        if published["abstract"] or facts is None or published["kind"] == "primitive-type":
            continue
        own = {
            e["path"].split(".")[1]: e for e in published["elements"] if e["path"].count(".") == 1
        }
        names = {e.path + ("[x]" if e.choice else "") for e in facts.elements.values()}
        assert names == set(own), name
        for element in facts.elements.values():
            row = own[element.path + ("[x]" if element.choice else "")]
            assert element.many == (row["max"] == "*"), f"{name}.{element.name}"
            assert element.required <= (row["min"] > 0), f"{name}.{element.name}"
        compared += 1
    assert compared > 60
