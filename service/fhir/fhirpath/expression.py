"""Compiled expressions: what the rest of the service uses."""

from collections.abc import Callable, Mapping
from typing import Any

from service.fhir.fhirpath import direct
from service.fhir.fhirpath.check import check
from service.fhir.fhirpath.compiler import Closure, Compiler
from service.fhir.fhirpath.errors import FhirPathError
from service.fhir.fhirpath.items import Collection, Item, Node, as_item
from service.fhir.fhirpath.logic import NONE, truth
from service.fhir.fhirpath.model import TypeModel, types_of
from service.fhir.fhirpath.navigation import actual_type
from service.fhir.fhirpath.parser import parse
from service.fhir.fhirpath.scope import NO_SERVICES, Resolver, Scope, Services
from service.fhir.fhirpath.syntax import Node as Tree
from service.fhir.fhirpath.walks import Test
from service.fhir.json import JsonObject

Condition = Callable[..., bool | None]
"""``(focus, scope, companion=None)``, see ``Expression.condition``."""


def compile_expression(text: str, model: TypeModel) -> "Expression":
    """Reads and compiles an expression against the types of a model.

    Raises FhirPathError, with the position, for bad syntax and for functions, numbers of arguments
    and types that do not exist. ``Expression.check`` finds more, for a known focus.
    """
    try:
        return Expression(text, parse(text), model)
    except RecursionError:
        raise FhirPathError("the expression is nested too deeply") from None


class Expression:
    """One expression, compiled against one type model. Threads may share it."""

    def __init__(self, text: str, tree: Tree, model: TypeModel) -> None:
        self.text, self.tree, self.model = text, tree, model
        self._types = types_of(model)
        self._closure: Closure = Compiler(self._types).compile(tree)
        self._conditions: dict[str, Condition] = {}

    def evaluate(
        self,
        focus: Any,
        *,
        type_name: str,
        resource: JsonObject | None,
        root: JsonObject | None = None,
        context: tuple[Any, str] | None = None,
        environment: Mapping[str, Any] | None = None,
        resolver: Resolver | None = None,
        services: Services = NO_SERVICES,
        companion: JsonObject | None = None,
    ) -> list[Item]:
        """What the expression gives for ``focus``, raw JSON of the R4 type ``type_name``.

        ``resource`` is ``%resource``, ``root`` is ``%rootResource`` (default: the same),
        ``context`` is JSON and type of ``%context`` (default: the focus). ``companion`` is the
        object beside a primitive focus; without it a focus of None is an empty collection.
        ``resolver`` stands in for ``services.resolve``. Raises FhirPathError.
        """
        if resolver is not None:
            services = services._replace(resolve=resolver)
        scope = Scope(self.model, resource, root, environment=environment, services=services)
        this = self._focus(focus, type_name, companion)
        around = this if context is None else self._focus(*context, None)
        return [as_item(item) for item in self._collect(this, around, scope)]

    def holds(
        self,
        focus: Any,
        *,
        type_name: str,
        resource: JsonObject | None,
        root: JsonObject | None = None,
        environment: Mapping[str, Any] | None = None,
        services: Services = NO_SERVICES,
        companion: JsonObject | None = None,
    ) -> bool | None:
        """The expression as a condition on ``focus``; None where it is empty.

        A single item that is no Boolean counts as true (N1, section 4.5). Raises FhirPathError.
        """
        scope = Scope(self.model, resource, root, environment=environment, services=services)
        return self.condition(type_name)(focus, scope, companion)

    def check(self, type_name: str) -> None:
        """Looks for mistakes that an evaluation passes over in silence.

        Raises FhirPathError for an element that the types do not have (``valueQuantity`` for
        ``value``), for a path that begins with another type, and for the first or numbered item of
        what has no order.
        """
        check(self.tree, type_name, self._types)

    def condition(self, type_name: str) -> Condition:
        """``holds`` for a focus of one declared type, to be called many times.

        The function takes the focus, a ``Scope`` that serves all conditions on one resource, and
        the companion of a primitive focus. It raises FhirPathError.
        """
        found = self._conditions.get(type_name)
        if found is None:
            found = self._conditions[type_name] = self._new_condition(type_name)
        return found

    def _new_condition(self, type_name: str) -> Condition:
        def general(focus: Any, scope: Scope, companion: Any = None) -> bool | None:
            this = self._focus(focus, type_name, companion)
            return truth(self._collect(this, this, scope))

        quick = direct.condition(self.tree, type_name, self._types)
        return general if quick is None else _quick(quick, general)

    def _focus(self, focus: Any, type_name: str, companion: Any) -> Collection:
        if focus is None and companion is None:
            return NONE
        return [Node(focus, actual_type(type_name, focus, self._types), companion)]

    def _collect(self, this: Collection, context: Collection, scope: Scope) -> Collection:
        scope.index = scope.total = NONE
        scope.context = context
        try:
            return self._closure(this, scope)
        except RecursionError:
            raise FhirPathError("the evaluation is nested too deeply") from None
        except (ArithmeticError, AttributeError, TypeError) as error:
            # Data of a shape that R4 does not have, or numbers out of all bounds.
            raise FhirPathError(f"cannot be evaluated ({type(error).__name__})") from error


def _quick(test: Test, general: Condition) -> Condition:
    def condition(focus: Any, scope: Scope, companion: Any = None) -> bool | None:
        try:
            return test(focus, scope)
        except (ArithmeticError, AttributeError, TypeError, RecursionError):
            return general(focus, scope, companion)

    return condition
