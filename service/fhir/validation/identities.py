"""Ids inside one resource: of elements, once each, and of contained resources, always there."""

from typing import Any

from service.fhir.outcome import shown
from service.fhir.validation.report import Report
from service.fhir.validation.scope import Scope

_RESOURCES = frozenset({"contained", "resource", "outcome"})


def identity_faults(scope: Scope, report: Report) -> None:
    """Report repeated ids (R4 element.html), and a contained resource without one."""
    if scope.contained and "id" not in scope.resource:
        report.add(
            "error", "required", scope.path, "a contained resource has an id", "contained-id"
        )
    seen: set[str] = set()
    waiting: list[tuple[Any, str]] = [
        (value, f"{scope.path}.{name}")
        for name, value in scope.resource.items()
        if isinstance(value, dict | list) and name not in _RESOURCES
    ]
    while waiting:
        part, place = waiting.pop()
        if isinstance(part, list):
            waiting.extend((inner, f"{place}[{n}]") for n, inner in enumerate(part))
        elif isinstance(part, dict):
            identity = part.get("id")
            if isinstance(identity, str):
                if identity in seen:
                    text = f"the element id {shown(identity)} is used twice"
                    report.add("error", "duplicate", place, text, "duplicate-id")
                seen.add(identity)
            waiting.extend(
                (inner, f"{place}.{name}")
                for name, inner in part.items()
                if isinstance(inner, dict | list) and name not in _RESOURCES
            )
