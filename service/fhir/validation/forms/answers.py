"""One answer against its question: type, choices and limits."""

from collections.abc import Iterator
from typing import Any

from service.fhir.code_sets import CodeSet
from service.fhir.definitions import Definitions
from service.fhir.json import JsonObject
from service.fhir.outcome import shown
from service.fhir.validation.coded import codings, is_member, shown_codings
from service.fhir.validation.forms.limits import limit_faults
from service.fhir.validation.forms.questions import Question, extension_values
from service.fhir.validation.matching import same

Fault = tuple[str, str, str]
"""FHIR issue type, diagnostics, key."""

_EXCLUSIVE = "http://hl7.org/fhir/StructureDefinition/questionnaire-optionExclusive"
_UNITS = "http://hl7.org/fhir/StructureDefinition/questionnaire-unitValueSet"
_CODED = frozenset({"valueCoding", "valueQuantity"})
_PROPERTIES: dict[str, frozenset[str]] = {
    "boolean": frozenset({"valueBoolean"}),
    "decimal": frozenset({"valueDecimal", "valueInteger"}),
    "integer": frozenset({"valueInteger"}),
    "date": frozenset({"valueDate"}),
    "dateTime": frozenset({"valueDateTime", "valueDate"}),
    "time": frozenset({"valueTime"}),
    "string": frozenset({"valueString"}),
    "text": frozenset({"valueString"}),
    "url": frozenset({"valueUri"}),
    "choice": frozenset({"valueCoding"}),
    "open-choice": frozenset({"valueCoding", "valueString"}),
    "attachment": frozenset({"valueAttachment"}),
    "reference": frozenset({"valueReference"}),
    "quantity": frozenset({"valueQuantity"}),
}


def value_of(answer: JsonObject) -> tuple[str, Any]:
    """The property and value of an answer, both empty where it has none."""
    return next(((k, v) for k, v in answer.items() if k.startswith("value")), ("", None))


def options(question: Question) -> list[JsonObject]:
    """The answerOption of a question."""
    listed = question.item.get("answerOption")
    return [row for row in listed if isinstance(row, dict)] if isinstance(listed, list) else []


def answer_faults(question: Question, answer: JsonObject, codes: CodeSet | None) -> Iterator[Fault]:
    """Everything against one answer; ``codes`` is the question's value set where it is known."""
    name, value = value_of(answer)
    if not name:
        return
    allowed = _PROPERTIES.get(question.kind, frozenset())
    if question.kind in {"choice", "open-choice"}:
        allowed |= {value_of(option)[0] for option in options(question)}
    if name not in allowed:
        expected = " or ".join(sorted(allowed)) or "no value"
        yield "structure", f"found {name}, expected {expected}", "answer-type"
        return
    yield from _chosen(question, name, value, codes)
    yield from limit_faults(question, name, value)


def _chosen(question: Question, name: str, value: Any, codes: CodeSet | None) -> Iterator[Fault]:
    free = question.kind == "open-choice" and name == "valueString"
    offered = [value_of(option) for option in options(question)]
    if offered and not free and not any(_is(name, value, option) for option in offered):
        yield "invariant", f"found {_shown(value)}, expected one of the options", "answer-option"
    if codes is not None and name in _CODED and not is_member(value, codes):
        key = "unit" if name == "valueQuantity" else "answer-value-set"
        yield "code-invalid", f"found {_shown(value)}, expected a code of the value set", key


def _is(name: str, value: Any, option: tuple[str, Any]) -> bool:
    if name != option[0]:
        return False
    wanted = option[1]
    if isinstance(value, dict) and isinstance(wanted, dict):
        keys = ("system", "code") if name == "valueCoding" else ("reference",)
        return all(value.get(key) == wanted.get(key) for key in keys)
    return same(value, wanted)


def exclusive_faults(question: Question, answers: list[JsonObject]) -> Iterator[tuple[int, Fault]]:
    """Answers that allow no other beside them, by their number."""
    alone = [value_of(o) for o in options(question) if True in extension_values(o, _EXCLUSIVE)]
    if not alone or len(answers) < 2:
        return
    for index, answer in enumerate(answers):
        name, value = value_of(answer)
        if any(_is(name, value, option) for option in alone):
            text = f"found {_shown(value)} beside other answers"
            yield index, ("invariant", text, "answer-exclusive")


def value_set(question: Question, definitions: Definitions) -> CodeSet | None:
    """The codes that a question takes its answers, or their units, from; None where not known."""
    units = question.extension(_UNITS) if question.kind == "quantity" else []
    canonical = units[0] if units else question.item.get("answerValueSet")
    return definitions.code_set(canonical) if isinstance(canonical, str) else None


def _shown(value: Any) -> str:
    listed = codings(value)
    return shown_codings(listed) if listed else shown(value)
