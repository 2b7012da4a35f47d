"""The official FHIRPath suite for R4 (FHIR/fhir-test-cases, r4/fhirpath/tests-fhir-r4.xml).

A test that has to fail passes if compiling, the static check or evaluating raises FhirPathError.
Every test goes through the static check, so the check may not refuse what the suite evaluates.
"""

from datetime import UTC, datetime
from decimal import Decimal
from functools import cache

import pytest
from shared_data import shared

from service.fhir.fhirpath import FhirPathError, Services, compile_expression
from service.fhir.json import read
from service.fhir.type_model import R4

KNOWN_GAPS: dict[str, str] = {}
"""``group/name`` of each official test that is not passed, and why in one line."""
LEAST_SHARE = 0.96
CLOCK = Services(now=lambda: datetime(2026, 3, 2, 8, 30, tzinfo=UTC))


@cache
def _cases():
    return read(shared("conformance/fhirpath/tests.json").read_bytes())


@cache
def _input(name):
    return read(shared(f"conformance/fhirpath/input/{name}").read_bytes())


def _result(case):
    resource = _input(case["input"]) if case["input"] else None
    type_name = resource["resourceType"] if resource else "Resource"
    expression = compile_expression(case["expression"], R4)
    expression.check(type_name)
    items = expression.evaluate(resource, type_name=type_name, resource=resource, services=CLOCK)
    if case.get("predicate") == "true":
        return [("boolean", str(bool(items) and items[0].value is not False).lower())]
    return [(_type(item), _text(item.value)) for item in items]


def _type(item):
    name = item.type.removeprefix("System.")
    return name if name == item.type else name[0].lower() + name[1:]


def _text(value):
    if isinstance(value, bool):
        return str(value).lower()
    return f"{value:f}" if isinstance(value, Decimal) else str(value)


def _same(found, wanted, ordered):
    if not ordered:
        found, wanted = sorted(found), sorted(wanted)
    return len(found) == len(wanted) and all(
        of in (None, kind) and _equal(kind, text, value)
        for (kind, text), (of, value) in zip(found, wanted, strict=True)
    )


def _equal(kind, found, wanted):
    if kind == "decimal" and "." not in wanted:
        return Decimal(found) == Decimal(wanted)
    return found == (wanted.removeprefix("@").removeprefix("T") if wanted[:1] == "@" else wanted)


def _fault(case):
    """What is wrong with our answer to a test of the suite; None where it is right."""
    wanted = [(output.get("type"), output["value"]) for output in case["output"]]
    try:
        found = _result(case)
    except FhirPathError as error:
        return None if case["invalid"] else f"refused: {error}"
    if case["invalid"]:
        return f"not refused ({case['invalid']} expected): {found}"
    if _same(found, wanted, case.get("ordered") != "false"):
        return None
    return f"wanted {wanted}, found {found}"


def _faults():
    faults = {}
    for case in _cases():
        fault = _fault(case)
        if fault is not None:
            faults[f"{case['group']}/{case['name']}"] = f"{case['expression']}: {fault}"
    return faults


def test_share_of_the_official_suite():
    faults = _faults()
    share = 1 - len(faults) / len(_cases())
    listed = "\n".join(
        f"{name}: {KNOWN_GAPS.get(name, 'no reason given')}: {fault}"
        for name, fault in faults.items()
    )
    print(f"{share:.1%} of {len(_cases())} official FHIRPath tests passed\n{listed}")  # noqa: T201
    assert share >= LEAST_SHARE, listed


def test_no_gap_is_listed_that_is_closed():
    present = {f"{case['group']}/{case['name']}" for case in _cases()}
    assert KNOWN_GAPS.keys() & present <= _faults().keys()


@pytest.mark.parametrize("wanted", ["syntax", "semantic", "execution"])
def test_each_kind_of_refusal_is_met(wanted):
    cases = [case for case in _cases() if case["invalid"] == wanted]
    assert cases
    for case in cases:
        with pytest.raises(FhirPathError):
            _result(case)
