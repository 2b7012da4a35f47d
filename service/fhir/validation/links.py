"""References of the base standard: the types they may point to."""

from collections.abc import Iterable

from service.fhir.structure import specialises
from service.fhir.validation.references import resolved, stated_type
from service.fhir.validation.report import Report
from service.fhir.validation.walk import FoundReference


def reference_faults(references: Iterable[FoundReference], report: Report) -> None:
    """Report references to a type that their element does not take.

    A type that is only read off the reference's text is warned of: two published examples of R4
    break the rule, and the reference validator does not apply it to what it has not resolved.
    """
    for found in references:
        item, targets = found.item, found.element.targets
        target = resolved(item.value, item.scope)
        stated = item.value.get("type")
        if target is not None and isinstance(stated, str) and not specialises(target.type, stated):
            text = f"found a {target.type}, expected {stated[:64]} as Reference.type says"
            report.add("error", "value", item.path, text, "reference-type")
        met = target.type if target is not None else stated_type(item.value)
        if targets and met is not None and not any(specialises(met, name) for name in targets):
            text = f"found a reference to {met[:64]}, expected {' or '.join(sorted(targets))}"
            severity = "warning" if target is None else "error"
            report.add(severity, "value", item.path, text, "reference-target")  # type: ignore[arg-type]
