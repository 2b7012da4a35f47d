"""The condition group of a child, from coded Conditions only."""

import tomllib
from collections.abc import Iterable, Mapping
from pathlib import Path

from service.fhir.codings import codings
from service.fhir.json import JsonObject
from service.mapping.interpretable import why_not_interpretable

OTHER = "other"
_NOT_SO = frozenset({"refuted", "entered-in-error", "inactive", "remission", "resolved"})


def load_condition_groups(path: Path) -> dict[str, str]:
    """``system|code`` to group, in the order in which groups win over each other."""
    declared = tomllib.loads(path.read_text(encoding="utf-8"))["group"]
    return {coding: group["name"] for group in declared for coding in group["codings"]}


def condition_group(conditions: Iterable[JsonObject], groups: Mapping[str, str]) -> str:
    """The first group of ``groups`` to which one of a child's conditions belongs, else other.

    The cause wins over its consequence: bronchiectasis of cystic fibrosis is cystic fibrosis.
    Conditions that are refuted, entered in error, over or not interpretable do not count.
    """
    found = {coding for condition in conditions for coding in _codes(condition)}
    return next((group for coding, group in groups.items() if coding in found), OTHER)


def _codes(condition: JsonObject) -> set[str]:
    statuses = [condition.get(name, {}) for name in ("verificationStatus", "clinicalStatus")]
    if {code for _, code in codings(statuses)} & _NOT_SO or why_not_interpretable(condition):
        return set()
    return {f"{system}|{code}" for system, code in codings([condition.get("code", {})])}
