"""Every constraint of R4 is evaluated: compiled here, and broken one by one by the probes.

Source: one instance per base constraint that breaks it, and the valid ones they derive from, in the
reference data beside the checkout; constraints of the committed R4 tables.
"""

import json as reference
from typing import Any

from serious import serious
from shared_data import shared

from service.fhir.definitions import Definitions
from service.fhir.outcome import has_errors
from service.fhir.r4 import tables
from service.fhir.validation import Validator
from service.fhir.validation.constraints import IN_STRUCTURE, compiled

VALIDATOR = Validator(Definitions())


def published(name: str) -> Any:
    return reference.loads(shared(f"conformance/invariant-probes/{name}").read_text("utf-8"))


def test_every_constraint_of_r4_can_be_evaluated() -> None:
    for constraint in tables.invariants().values():
        compiled(constraint["expression"])
    assert {"ele-1"} == IN_STRUCTURE, "only this one is the walk's own"


def test_each_probe_is_caught_by_its_key_at_its_place() -> None:
    probes = published("probes.json")
    missed = [
        (probe["key"], probe["expression"])
        for probe in probes
        if (probe["key"].partition("@")[0], probe["expression"])
        not in {(f.key, f.expression) for f in VALIDATOR.validate(probe["resource"])}
    ]
    assert missed == []
    assert len(probes) > 60


def test_a_probe_shows_its_own_fault_only() -> None:
    """A contained resource inside a contained one is not referred to either.

    The probes carry invented codes, of which extensible bindings warn; that is no second fault.
    """
    for probe in published("probes.json"):
        keys = {f.key for f in serious(VALIDATOR.validate(probe["resource"]))}
        allowed = {"dom-2": {"dom-2", "dom-3"}}.get(probe["key"], {probe["key"].partition("@")[0]})
        assert keys - {"extensible-binding"} <= allowed, probe["key"]


def test_what_the_probes_derive_from_is_accepted() -> None:
    for resource in published("valid.json"):
        assert not has_errors(VALIDATOR.validate(resource)), resource["resourceType"]
