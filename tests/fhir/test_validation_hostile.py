"""Any JSON value, anywhere: a list of findings, never another error, in bounded time."""

import time
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from serious import serious

from service.fhir import json
from service.fhir.definitions import Definitions
from service.fhir.outcome import has_errors, operation_outcome
from service.fhir.validation import Validator, profile_rules

PROFILES = Path(__file__).resolve().parents[2] / "profiles"
VALIDATOR = Validator(
    Definitions.load(PROFILES), profile_rules(json.read((PROFILES / "rules.json").read_bytes()))
)
BASE = "https://airway-programmes.example/fhir"


def coded(system: str, code: str) -> dict[str, Any]:
    return {"coding": [{"system": f"{BASE}/CodeSystem/{system}", "code": code}]}


SESSION = {
    "resourceType": "Observation",
    "meta": {"profile": ["urn:other"]},
    "extension": [{"url": f"{BASE}/StructureDefinition/log-source", "valueString": "diary"}],
    "identifier": [{"system": "urn:s", "value": "1"}],
    "status": "final",
    "category": [{"coding": [{"code": "therapy"}]}],
    "code": coded("airway-log", "session"),
    "subject": {"reference": "Patient/p"},
    "effectivePeriod": {"start": "2031-03-09T07:05:00Z", "end": "2031-03-09T07:25:00Z"},
    "component": [
        {"code": coded("airway-session-part", "outcome"), "valueCodeableConcept": {"text": "x"}},
        {"code": coded("airway-session-part", "minutes"), "valueQuantity": {"value": Decimal(5)}},
    ],
}
REGIMEN = {
    "resourceType": "ServiceRequest",
    "status": "active",
    "intent": "order",
    "category": [coded("airway-plan-part", "regimen")],
    "code": coded("airway-technique", "pep"),
    "subject": {"reference": "Patient/p"},
    "occurrenceTiming": {"repeat": {"frequency": 2, "period": 1, "periodUnit": "d"}},
    "extension": [
        {"url": f"{BASE}/StructureDefinition/dose",
         "extension": [{"url": "cycles", "valuePositiveInt": 4}]}
    ],
}  # fmt: skip

anything = st.recursive(
    st.none() | st.booleans() | st.integers() | st.decimals(allow_nan=False, allow_infinity=False)
    | st.text(max_size=5) | st.sampled_from(["2031", "urn:x", "Patient/p", "code"]),
    lambda inner: st.lists(inner, max_size=3)
    | st.dictionaries(st.sampled_from(["url", "code", "system", "value", "extension", "coding",
                                       "valueString", "_value", "resourceType", "reference"]),
                      inner, max_size=3),
    max_leaves=6,
)  # fmt: skip


def paths(value: Any, at: tuple[Any, ...] = ()) -> list[tuple[Any, ...]]:
    """Where in a value anything stands, the value itself first."""
    inner: Any = value.items() if isinstance(value, dict) else ()
    inner = enumerate(value) if isinstance(value, list) else inner
    return [at, *(p for key, part in inner for p in paths(part, (*at, key)))]


def replaced(value: Any, path: tuple[Any, ...], new: Any) -> Any:
    if not path:
        return new
    key, rest = path[0], path[1:]
    if isinstance(value, dict):
        return value | {key: replaced(value[key], rest, new)}
    return [replaced(v, rest, new) if i == key else v for i, v in enumerate(value)]


@given(st.sampled_from([SESSION, REGIMEN]).flatmap(
    lambda r: st.tuples(st.just(r), st.sampled_from(paths(r)), anything)))  # fmt: skip
def test_one_part_replaced_by_anything(change: tuple[Any, tuple[Any, ...], Any]) -> None:
    findings = serious(VALIDATOR.validate(replaced(*change)))
    json.write(operation_outcome(findings))


@given(anything)
def test_anything_as_a_resource(value: Any) -> None:
    assert has_errors(VALIDATOR.validate(value))


def nested(depth: int) -> Any:
    value: Any = {"url": "urn:x", "valueString": "end"}
    for _ in range(depth):
        value = {"url": "urn:x", "extension": [value]}
    return value


@pytest.mark.parametrize(
    "resource",
    [
        SESSION | {"note": [{"text": "x"}] * 20_000},
        SESSION | {"component": [SESSION["component"][0]] * 3_000},  # type: ignore[index]
        {"resourceType": "Patient", "extension": [nested(25)]},
        {"resourceType": "Patient", "photo": [{"data": "A" * 1_000_001}]},
        {"resourceType": "Patient", "language": "a " * 200_000},
        {"resourceType": "Patient", "birthDate": "2" * 1_000_000},
        {"resourceType": "Patient", "name": [{"family": "x" * 2_000_000}]},
    ],
)
def test_large_and_deep_input_takes_bounded_time(resource: Any) -> None:
    began = time.perf_counter()
    VALIDATOR.validate(resource)
    assert time.perf_counter() - began < 5
