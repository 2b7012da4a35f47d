"""The FHIRPath constraints of profiles, evaluated by fhirpathpy with its R4 model.

The library keeps state for the whole process, so one lock guards every evaluation. A constraint
holds only if it evaluates to true: empty, anything else and an evaluation that fails do not pass.
"""

import threading
from collections.abc import Callable
from functools import lru_cache
from typing import Any

import fhirpathpy
from antlr4 import CommonTokenStream, InputStream, Token  # type: ignore[import-untyped]
from antlr4.error.ErrorListener import ErrorListener  # type: ignore[import-untyped]
from fhirpathpy.engine.nodes import ResourceNode
from fhirpathpy.models import models
from fhirpathpy.parser.generated.FHIRPathLexer import FHIRPathLexer
from fhirpathpy.parser.generated.FHIRPathParser import FHIRPathParser

from service.fhir.definitions import DefinitionError
from service.fhir.json import JsonObject
from service.fhir.validation.items import Item

_one_at_a_time = threading.Lock()


@lru_cache(maxsize=4096)
def compiled(expression: str) -> Callable[[Any, JsonObject], list[Any]]:
    """The evaluator of an expression. Raises DefinitionError if it cannot be parsed."""
    if not _is_whole(expression):
        raise DefinitionError(f"FHIRPath cannot be read: {expression}")
    with _one_at_a_time:
        evaluator: Callable[[Any, JsonObject], list[Any]] = fhirpathpy.compile(
            expression, models["r4"]
        )
    return evaluator


class _SyntaxFaults(ErrorListener):  # type: ignore[misc]  # the parser library is untyped
    """Counts what the lexer and the parser complain of."""

    def __init__(self) -> None:
        self.count = 0

    def syntaxError(self, *_: object) -> None:  # noqa: N802  # the library's name
        self.count += 1


def _is_whole(expression: str) -> bool:
    """Whether all of the text is one expression; fhirpathpy quietly drops what it cannot read."""
    faults = _SyntaxFaults()
    lexer = FHIRPathLexer(InputStream(expression))
    tokens = CommonTokenStream(lexer)
    parser = FHIRPathParser(tokens)
    for reader in (lexer, parser):
        reader.removeErrorListeners()
        reader.addErrorListener(faults)
    parser.expression()
    return tokens.LA(1) == Token.EOF and faults.count == 0


def fault_of(expression: str, item: Item, type_path: str, resource: JsonObject) -> str | None:
    """None where the constraint holds for the item; else what came out instead of true.

    ``type_path`` is the item's type as the R4 model names it (``Period``,
    ``Observation.component``); ``resource`` is ``%resource``.
    """
    node = ResourceNode.create_node(item.value, type_path, item.companion)
    evaluator = compiled(expression)
    with _one_at_a_time:
        try:
            result = evaluator(node, {"resource": resource, "rootResource": resource})
        except Exception as error:  # whatever went wrong, it is no pass
            return f"it could not be evaluated ({type(error).__name__})"
    if result == [True]:
        return None
    return "it is false" if result == [False] else "it gives no answer"
