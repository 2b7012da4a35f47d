"""The committed R4 tables, against tables derived separately and against the errata.

Source: element table and required code lists derived from hl7.fhir.r4.core 4.0.1 by another
script, in the reference data beside the checkout.
"""

import json as reference
from typing import Any

from shared_data import shared

from service.fhir.r4 import errata, tables


def published(name: str) -> Any:
    return reference.loads(shared(f"conformance/{name}").read_text("utf-8"))


def facts(element: dict[str, Any]) -> dict[str, Any]:
    keys = [key.partition("@")[0] for key in element.get("invariants", [])]
    return element | {"invariants": keys}


def test_every_element_is_as_published() -> None:
    mine = tables.types()
    for name, theirs in published("r4-structure.json")["types"].items():
        assert len(mine[name]["elements"]) == len(theirs["elements"])
        for here, there in zip(mine[name]["elements"], theirs["elements"], strict=True):
            if mine[name]["kind"] == "resource" and here["path"] == f"{name}.id":
                here = here | {"types": there["types"]}  # see errata
            assert facts(here) == facts(there)


def test_constraints_differ_only_where_the_errata_say_so() -> None:
    mine = {(c["key"], c["expression"]) for c in tables.invariants().values()}
    for theirs in published("r4-structure.json")["invariants"].values():
        key, expression = theirs["key"], theirs["expression"]
        if key not in errata.CONSTRAINTS and not expression.startswith(errata.NAME_RULE):
            assert (key, expression) in mine
        assert (key, errata.corrected(key, expression)) in mine


def test_code_lists_are_as_published() -> None:
    compared = 0
    for url, theirs in published("terminology/required.json").items():
        here = {(s, code) for s, codes in tables.value_sets()[url].items() for code in codes or ()}
        assert here == {(member["system"], member["code"]) for member in theirs}, url
        compared += 1
    assert compared > 80


def test_no_descriptive_text_is_carried() -> None:
    wordy = {"definition", "comment", "requirements", "short", "human", "description", "xpath"}

    def words(value: Any) -> set[str]:
        if isinstance(value, list):
            return set().union(*(words(item) for item in value))
        if isinstance(value, dict):
            return (value.keys() & wordy).union(*(words(item) for item in value.values()))
        return set()

    assert words(list(tables.profiles().values())) == set()


def test_a_resource_id_is_an_id() -> None:
    (element,) = (e for e in tables.types()["Patient"]["elements"] if e["path"] == "Patient.id")
    assert element["types"] == [{"code": "id"}]
