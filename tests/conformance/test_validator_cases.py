"""Official validator cases that need nothing beyond base R4.

Source: FHIR/fhir-test-cases (Apache-2.0), read from the reference data beside the checkout. This
version evaluates few base constraints, so it accepts some invalid instances; it must never refuse
a valid one.
"""

import json as reference
from collections import Counter

from shared_data import shared

from service.fhir import json
from service.fhir.definitions import Definitions
from service.fhir.outcome import has_errors
from service.fhir.validation import Validator


def test_no_valid_instance_is_refused_and_most_invalid_ones_are() -> None:
    validator = Validator(Definitions())
    rows = reference.loads(shared("conformance/validator-cases/index.json").read_text("utf-8"))
    verdicts: Counter[tuple[bool, bool]] = Counter()
    refused = []
    for row in rows:
        if row["tier"] != "base-only":
            continue
        accepted = _accepted(
            validator, shared(f"conformance/validator-cases/{row['file']}").read_bytes()
        )
        verdicts[row["valid"], accepted] += 1
        if row["valid"] and not accepted:
            refused.append(row["name"])
    assert refused == []
    right = verdicts[True, True] + verdicts[False, False]
    assert right / verdicts.total() >= 0.85


def _accepted(validator: Validator, text: bytes) -> bool:
    try:
        return not has_errors(validator.validate(json.read(text)))
    except json.JsonError:
        return False
