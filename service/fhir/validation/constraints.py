"""FHIRPath constraints of the base standard and of profiles on one element.

A constraint holds only where it evaluates to true: empty, anything else and an evaluation that
fails do not pass. Where the element's structure is broken already, only a plain false is reported,
so that one fault does not show twice.
"""

import re
from collections.abc import Callable, Iterable
from functools import lru_cache
from typing import Any

from service.fhir.definitions import DefinitionError, Definitions
from service.fhir.fhirpath import Expression, FhirPathError, Services, compile_expression
from service.fhir.fhirpath.html import narrative_fault
from service.fhir.fhirpath.items import Item as PathItem
from service.fhir.json import JsonObject, write
from service.fhir.outcome import Severity
from service.fhir.structure import Constraint
from service.fhir.type_model import R4
from service.fhir.validation.coded import is_member
from service.fhir.validation.items import Item
from service.fhir.validation.many_contained import contains_many, holds
from service.fhir.validation.report import Report
from service.fhir.validation.scope import Scope

Conforms = Callable[[Item, str], bool | None]

IN_STRUCTURE = frozenset({"ele-1"})
"""Constraints that the walk over the structure itself checks."""

_EMPTY_DIV = re.compile(r"<div[^<>]*>\s*</div>")
_PREFORMATTED = re.compile(r"<pre[^<>]*>\s+</pre>")
_BLANK = "the div has neither text nor an image"


@lru_cache(maxsize=8192)
def compiled(text: str) -> Expression:
    """The evaluator of an expression. Raises DefinitionError if it cannot be compiled."""
    try:
        return compile_expression(text, R4)
    except FhirPathError as error:
        raise DefinitionError(f"FHIRPath cannot be read: {text} ({error})") from None


class Constraints:
    """Evaluates constraints. ``conforms`` answers conformsTo(), once profiles are known."""

    def __init__(self, definitions: Definitions) -> None:
        self._definitions = definitions
        self.conforms: Conforms | None = None

    def check(
        self, constraints: Iterable[Constraint], item: Item, type_name: str, report: Report,
        *, sound: bool, scope: Scope | None = None,
    ) -> None:  # fmt: skip
        """Report every constraint that does not hold; ``sound``: the structure below is right.

        ``scope`` is the resource that states them, where that is not the item's own.
        """
        for constraint in constraints:
            if constraint.key in IN_STRUCTURE:
                continue
            fault = self._fault_of(constraint, item, type_name, scope or item.scope, sound=sound)
            if fault is not None:
                said = constraint.human or f"{constraint.expression} must hold."
                report.add(_severity(constraint, item), "invariant", item.path,
                           f"{said} Here {fault}.", constraint.key)  # fmt: skip

    def _fault_of(
        self, constraint: Constraint, item: Item, type_name: str, scope: Scope, *, sound: bool
    ) -> str | None:
        """None where the constraint holds; else what came out instead of true."""
        if constraint.expression == "htmlChecks()":
            return _narrative(constraint.key, item)
        if contains_many(scope):
            answer = holds(constraint.key, item.value, scope)
            if answer is not None:
                return None if answer else "it is false"
        try:
            result = self._holds(compiled(constraint.expression), item, type_name, scope)
        except FhirPathError as error:
            return f"it could not be evaluated ({error})" if sound else None
        if result is True or (result is None and not sound):
            return None
        if constraint.key == "dom-3" and _shown_in_narrative(item.value):
            return None
        return "it is false" if result is False else "it gives no answer"

    def _holds(
        self, expression: Expression, item: Item, type_name: str, scope: Scope
    ) -> bool | None:
        return expression.holds(
            item.value,
            type_name=type_name,
            resource=scope.resource,
            root=scope.root.resource,
            companion=item.companion,
            services=self.services(scope),
        )

    def services(self, scope: Scope) -> Services:
        """What an expression may ask for beyond its data, in one resource."""

        def resolve(reference: str) -> JsonObject | None:
            found = scope.resolve(reference)
            return None if found is None else found.resource

        def conforms_to(found: PathItem, canonical: str) -> bool | None:
            if self.conforms is None:
                return None
            inner = _scope_of(found, scope)
            return self.conforms(
                Item(found.value, found.companion, scope.path, found.type, False, inner), canonical
            )

        return Services(resolve=resolve, member_of=self._member_of, conforms_to=conforms_to)

    def _member_of(self, found: PathItem, canonical: str) -> bool | None:
        codes = self._definitions.code_set(canonical)
        return None if codes is None else is_member(found.value, codes)


def _scope_of(found: PathItem, scope: Scope) -> Scope:
    """The scope of a resource met in an expression; of any other element, that around it."""
    if not isinstance(found.value, dict) or "resourceType" not in found.value:
        return scope
    for known in (scope, scope.root):
        if known.resource is found.value:
            return known
    bundle = scope if scope.type == "Bundle" else scope.bundle
    entry = bundle.entry_of(found.value) if bundle is not None else None
    return entry or Scope(found.value, scope.path, scope)


def _narrative(key: str, item: Item) -> str | None:
    fault = narrative_fault(item.value) if isinstance(item.value, str) else None
    if fault is None or (fault == _BLANK) != (key == "txt-2") or _PREFORMATTED.search(item.value):
        return None
    return fault


def _shown_in_narrative(resource: Any) -> bool:
    """Whether each contained resource is named by a narrative or by a reference."""
    text = write(resource).decode()
    contained = resource.get("contained") if isinstance(resource, dict) else None
    identities = [c.get("id") for c in contained if isinstance(c, dict)] if contained else []
    return bool(identities) and all(
        isinstance(name, str) and (f'"#{name}"' in text or f'\\"#{name}\\"' in text)
        for name in identities
    )


def _severity(constraint: Constraint, item: Item) -> Severity:
    if constraint.best_practice:
        return "information"
    if constraint.key == "txt-2" and _EMPTY_DIV.fullmatch(str(item.value).strip()):
        return "warning"  # two of the examples published with R4 are so
    return "warning" if constraint.severity == "warning" else "error"
