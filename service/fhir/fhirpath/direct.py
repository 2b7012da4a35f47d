"""Quick forms of common conditions: existence, logic and comparisons on paths of known types.

``Direct`` compiles a condition for a focus of one complex type into a function of the raw JSON
object. What it has no quick form for it hands to the general compiler, part by part. The law that
the tests hold it to: on JSON of R4's shape it answers what the general way answers.
"""

from collections.abc import Callable
from dataclasses import fields, is_dataclass
from decimal import Decimal
from typing import Any

from service.fhir.fhirpath.compiler import Compiler
from service.fhir.fhirpath.conditions import (
    COMPARISONS,
    LOGIC,
    Condition,
    Scalar,
    comparison,
    of_scalar,
    same,
    text_check,
)
from service.fhir.fhirpath.fixed import worth_keeping
from service.fhir.fhirpath.items import Node
from service.fhir.fhirpath.logic import NONE, truth
from service.fhir.fhirpath.model import DYNAMIC, SYSTEM_OF, Types
from service.fhir.fhirpath.navigation import actual_type, count_children
from service.fhir.fhirpath.scope import Scope
from service.fhir.fhirpath.syntax import Binary, Call, Literal, Member, Special, TypeTest, Variable
from service.fhir.fhirpath.syntax import Node as Tree
from service.fhir.fhirpath.temporal import Temporal
from service.fhir.fhirpath.variables import constant
from service.fhir.fhirpath.walks import Present, Test, Walk, dynamic_step, filtered, narrowed, step


def condition(tree: Tree, type_name: str, types: Types) -> Test | None:
    """The quick form for a focus of this type; None where there cannot be one."""
    if type_name in SYSTEM_OF or types.elements(type_name) is None or _has_state(tree):
        return None
    return Direct(type_name, types).condition(tree).test


def _has_state(tree: Any) -> bool:
    """Whether an answer depends on more than the focus and the scope's resource."""
    if isinstance(tree, Special) and tree.name != "this":
        return True
    if isinstance(tree, Variable) and tree.name == "context":
        return True
    if isinstance(tree, tuple):
        return any(_has_state(part) for part in tree)
    return is_dataclass(tree) and any(_has_state(getattr(tree, f.name)) for f in fields(tree))


class Direct:
    """The quick forms for a focus of one type."""

    def __init__(self, type_name: str, types: Types) -> None:
        self._type, self._types = type_name, types

    def condition(self, tree: Tree) -> Condition:
        """The tree as a condition; every tree has one."""
        found = None
        if worth_keeping(tree):
            closure = Compiler(self._types).compile(tree)
            return Condition(lambda _, scope: truth(closure(NONE, scope)), False)
        if isinstance(tree, Binary):
            found = self._binary(tree)
        elif isinstance(tree, Call):
            found = self._call(tree)
        elif isinstance(tree, TypeTest) and tree.operator == "is":
            found = self._is(tree)
        if found is None and (scalar := self._scalar(tree)) is not None:
            found = of_scalar(scalar)
        return self._general(tree) if found is None else found

    def _general(self, tree: Tree) -> Condition:
        closure, type_name, types = Compiler(self._types).compile(tree), self._type, self._types
        if type_name in DYNAMIC:
            return Condition(
                lambda data, scope: truth(
                    closure([Node(data, actual_type(type_name, data, types))], scope)
                ),
                False,
            )
        return Condition(lambda data, scope: truth(closure([Node(data, type_name)], scope)), False)

    # Logic and comparisons

    def _binary(self, tree: Binary) -> Condition | None:
        joined = LOGIC.get(tree.operator)
        if joined is not None:
            return joined(self.condition(tree.left), self.condition(tree.right))
        if tree.operator == "in":
            return self._in(tree)
        compare = COMPARISONS.get(tree.operator)
        if compare is None:
            return None
        left, right = self._scalar(tree.left), self._scalar(tree.right)
        if left is not None and right is not None:
            return comparison(left, right, compare)
        if tree.operator in ("=", "!=") and _is_boolean(tree.left) and _is_boolean(tree.right):
            return same(self.condition(tree.left), self.condition(tree.right), compare)
        return None

    def _in(self, tree: Binary) -> Condition | None:
        left, texts = self._scalar(tree.left), _texts(tree.right)
        if left is None or left.kind != "String" or texts is None:
            return None
        get, wanted = left.get, frozenset(texts)

        def test(data: Any, scope: Scope) -> bool | None:
            value = get(data, scope)
            return None if value is None else value in wanted

        return Condition(test, False)

    # Functions

    def _call(self, tree: Call) -> Condition | None:
        form = _CALLS.get((tree.name, len(tree.arguments)))
        return None if form is None else form(self, tree)

    def _exists(self, tree: Call) -> Condition | None:
        if not tree.arguments:
            present = self._present(tree.target)
            return None if present is None else Condition(present, True)
        walk = self._walk(tree.target)
        if walk is not None:
            walk = self._filtered(walk, tree.arguments[0])
        return None if walk is None else Condition(walk.present, True)

    def _empty(self, tree: Call) -> Condition | None:
        present = self._present(tree.target)
        if present is None:
            return None
        return Condition(lambda data, scope: not present(data, scope), True)

    def _present(self, tree: Tree | None) -> Present | None:
        """Whether there is anything on a path, or on any of several joined by ``|``."""
        if isinstance(tree, Binary) and tree.operator == "|":
            left, right = self._present(tree.left), self._present(tree.right)
            if left is None or right is None:
                return None
            return lambda data, scope: left(data, scope) or right(data, scope)
        walk = self._walk(tree)
        return None if walk is None else walk.present

    def _all(self, tree: Call) -> Condition | None:
        walk = self._walk(tree.target)
        if walk is None or not self._can_filter(walk):
            return None
        test, each = (
            Direct(str(walk.type), self._types).condition(tree.arguments[0]).test,
            walk.each,
        )

        def every(data: Any, scope: Scope) -> bool:
            for part in each(data, scope):  # noqa: SIM110 (all() costs a generator)
                if test(part, scope) is not True:
                    return False
            return True

        return Condition(every, True)

    def _not(self, tree: Call) -> Condition | None:
        if tree.target is None or not _is_boolean(tree.target):
            return None
        test, total = self.condition(tree.target)
        if total:
            return Condition(lambda data, scope: not test(data, scope), True)

        def negated(data: Any, scope: Scope) -> bool | None:
            answer = test(data, scope)
            return None if answer is None else not answer

        return Condition(negated, False)

    def _has_value(self, tree: Call) -> Condition | None:
        if tree.target is None:
            return Condition(lambda _, __: False, True)
        walk = self._walk(tree.target)
        if walk is None or walk.get is None or walk.type not in SYSTEM_OF:
            return None
        get = walk.get
        return Condition(lambda data, _: get(data) is not None, True)

    def _of_text(self, tree: Call) -> Condition | None:
        text, argument = self._scalar(tree.target), tree.arguments[0]
        if text is None or text.kind != "String" or not isinstance(argument, Literal):
            return None
        if not isinstance(argument.value, str):
            return None
        get, check = text.get, text_check(tree.name, argument.value)

        def test(data: Any, scope: Scope) -> bool | None:
            value = get(data, scope)
            return None if value is None else check(value)

        return Condition(test, False)

    def _is(self, tree: TypeTest) -> Condition | None:
        walk = self._walk(tree.target)
        if walk is None or walk.parent is not None or walk.get is None:
            return None
        wanted = self._types.resolve(tree.namespace, tree.name, tree.at).fhir
        if DYNAMIC & set(walk.keys.values()):
            return None
        answers = {}
        for key, of in walk.keys.items():
            answers[key] = answers["_" + key] = wanted in self._types.ancestry(of)

        def test(data: dict[str, Any], _: Scope) -> bool | None:
            for key in data:
                if key in answers:
                    return answers[key]
            return None

        return Condition(test, False)

    # Values

    def _scalar(self, tree: Tree | None) -> Scalar | None:
        if isinstance(tree, Literal):
            value = tree.value
            return Scalar(lambda _, __: value, _kind(value), value)
        if isinstance(tree, Variable) and (always := constant(tree.name)) is not None:
            return Scalar(lambda _, __: always, "String", always)
        if isinstance(tree, Binary) and tree.operator == "+":
            return self._sum(tree)
        if isinstance(tree, Call) and tree.name == "count" and not tree.arguments:
            return self._count(tree.target)
        walk = self._walk(tree)
        if walk is None or walk.get is None or walk.type not in SYSTEM_OF:
            return None
        get = walk.get
        return Scalar(lambda data, _: get(data), SYSTEM_OF[walk.type])

    def _sum(self, tree: Binary) -> Scalar | None:
        """Of two counts."""
        if not (_is_count(tree.left) and _is_count(tree.right)):
            return None
        left, right = self._scalar(tree.left), self._scalar(tree.right)
        if left is None or right is None:
            return None
        one, other = left.get, right.get
        return Scalar(lambda data, scope: one(data, scope) + other(data, scope), "Integer")

    def _count(self, target: Tree | None) -> Scalar | None:
        if isinstance(target, Call) and target.name == "children" and target.target is None:
            return Scalar(lambda data, _: count_children(data), "Integer")
        walk = self._walk(target)
        return None if walk is None else Scalar(walk.count, "Integer")

    # Paths

    def _walk(self, tree: Tree | None) -> Walk | None:
        """The way that a path leads, None where its types are not all known."""
        if isinstance(tree, Member):
            return self._member(tree)
        if isinstance(tree, Call):
            return self._walk_of_call(tree)
        if isinstance(tree, TypeTest) and tree.operator != "is":
            return self._narrowed(tree)
        return None

    def _member(self, tree: Member) -> Walk | None:
        if self._is_focus(tree.target):
            element = self._types.element(self._type, tree.name)
            return None if element is None else step(element, None)
        parent = self._walk(tree.target)
        if parent is None or parent.type is None:
            return None
        element = self._types.element(parent.type, tree.name)
        if element is None and parent.type in DYNAMIC:
            return dynamic_step(tree.name, parent, self._types)
        return None if element is None else step(element, parent)

    def _is_focus(self, tree: Tree | None) -> bool:
        if tree is None:
            return True
        if isinstance(tree, Member):
            return tree.target is None and tree.name in self._types.ancestry(self._type)
        return isinstance(tree, Special) and tree.name == "this"

    def _walk_of_call(self, tree: Call) -> Walk | None:
        if tree.target is None:
            return None
        if tree.name == "where" and len(tree.arguments) == 1:
            walk = self._walk(tree.target)
            return None if walk is None else self._filtered(walk, tree.arguments[0])
        return self._walk(tree.target) if tree.name == "trace" and self._is_silent(tree) else None

    def _is_silent(self, tree: Call) -> bool:
        """Whether evaluating what is traced can have no other effect, such as an error."""
        walk = self._walk(tree.target)
        return walk is not None and all(
            isinstance(argument, Literal)
            or (
                walk.type is not None and Direct(walk.type, self._types)._walk(argument) is not None
            )
            for argument in tree.arguments
        )

    def _filtered(self, walk: Walk, criterion: Tree) -> Walk | None:
        if not self._can_filter(walk):
            return None
        return filtered(walk, Direct(str(walk.type), self._types).condition(criterion).test)

    def _can_filter(self, walk: Walk) -> bool:
        """A criterion on a primitive needs its extensions, which a walk leaves behind."""
        return walk.type is not None and walk.type not in SYSTEM_OF

    def _narrowed(self, tree: TypeTest) -> Walk | None:
        walk = self._walk(tree.target)
        if walk is None or walk.get is None or len(walk.keys) < 2:
            return None
        wanted = self._types.resolve(tree.namespace, tree.name, tree.at).fhir
        keys = {
            key: of
            for key, of in walk.keys.items()
            if of == wanted or (of not in SYSTEM_OF and wanted in self._types.ancestry(of))
        }
        return narrowed(walk, keys) if keys else None


_CALLS: dict[tuple[str, int], Callable[[Direct, Call], Condition | None]] = {
    ("exists", 0): Direct._exists,
    ("exists", 1): Direct._exists,
    ("empty", 0): Direct._empty,
    ("all", 1): Direct._all,
    ("not", 0): Direct._not,
    ("hasValue", 0): Direct._has_value,
    ("startsWith", 1): Direct._of_text,
    ("endsWith", 1): Direct._of_text,
    ("contains", 1): Direct._of_text,
    ("matches", 1): Direct._of_text,
}
_BOOLEAN_CALLS = {name for name, _ in _CALLS} | {"htmlChecks", "memberOf", "isDistinct"}
_BOOLEAN_OPERATORS = {*COMPARISONS, "and", "or", "xor", "implies", "in", "contains", "~", "!~"}


def _is_boolean(tree: Tree) -> bool:
    """Whether the tree gives a Boolean or nothing."""
    if isinstance(tree, Binary):
        return tree.operator in _BOOLEAN_OPERATORS
    if isinstance(tree, Call):
        return tree.name in _BOOLEAN_CALLS
    if isinstance(tree, TypeTest):
        return tree.operator == "is"
    return isinstance(tree, Literal) and isinstance(tree.value, bool)


def _is_count(tree: Tree) -> bool:
    return isinstance(tree, Call) and tree.name == "count"


def _kind(value: Any) -> str:
    if isinstance(value, Temporal):
        return value.kind
    return {bool: "Boolean", int: "Integer", Decimal: "Decimal", str: "String"}[type(value)]


def _texts(tree: Tree) -> list[str] | None:
    """The Strings of ``('a' | 'b')``, None where the tree is anything else."""
    if isinstance(tree, Literal):
        return [tree.value] if isinstance(tree.value, str) else None
    if isinstance(tree, Binary) and tree.operator == "|":
        left, right = _texts(tree.left), _texts(tree.right)
        return None if left is None or right is None else left + right
    return None
