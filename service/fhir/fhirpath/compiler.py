"""A syntax tree to closures: the complete language, for data of any shape.

Every part of an expression becomes a function of two arguments: the focus (``$this``, a collection
of one or no item) and the scope; it answers a collection. ``direct`` has quicker forms of the
common shapes and leaves the rest to this module.
"""

from collections.abc import Callable
from typing import Any

from service.fhir.fhirpath.equality import item_key
from service.fhir.fhirpath.errors import FhirPathError
from service.fhir.fhirpath.fixed import kept, worth_keeping
from service.fhir.fhirpath.functions import FUNCTIONS
from service.fhir.fhirpath.functions.sorting import sort_by
from service.fhir.fhirpath.functions.type_tests import cast, is_of, of_type
from service.fhir.fhirpath.items import Collection, Node, as_quantity
from service.fhir.fhirpath.logic import NONE, boolean, both, differ, either, implied, single, truth
from service.fhir.fhirpath.model import Types
from service.fhir.fhirpath.navigation import append_named
from service.fhir.fhirpath.operators import OPERATORS, negative, positive
from service.fhir.fhirpath.quantity import Quantity
from service.fhir.fhirpath.scope import Scope
from service.fhir.fhirpath.syntax import (
    Binary,
    Call,
    Empty,
    Index,
    Literal,
    Member,
    QuantityLiteral,
    Special,
    TypeTest,
    Unary,
    Variable,
)
from service.fhir.fhirpath.syntax import Node as Tree
from service.fhir.fhirpath.variables import variable

Closure = Callable[[Collection, Scope], Collection]


class Compiler:
    """Compiles against one set of types."""

    def __init__(self, types: Types) -> None:
        self._types = types
        self._forms: dict[type, Callable[[Any], Closure]] = {
            Literal: lambda tree: _constant([tree.value]),
            QuantityLiteral: lambda tree: _constant([Quantity(tree.value, tree.unit)]),
            Empty: lambda _: _constant(NONE),
            Variable: lambda tree: variable(tree.name, tree.at),
            Special: self._special,
            Member: self._member,
            Call: self._call,
            Index: self._index,
            Unary: self._unary,
            Binary: self._binary,
            TypeTest: self._type_test,
        }

    def compile(self, tree: Tree) -> Closure:
        """The closure of a tree. Raises FhirPathError for what does not exist."""
        closure = self._forms[type(tree)](tree)
        return kept(closure) if worth_keeping(tree) else closure

    def _special(self, tree: Special) -> Closure:
        if tree.name == "index":
            return lambda _, scope: scope.index
        if tree.name == "total":
            return lambda _, scope: scope.total
        return _focus

    def _target(self, tree: Tree | None) -> Closure:
        return _focus if tree is None else self.compile(tree)

    def _member(self, tree: Member) -> Closure:
        name, types = tree.name, self._types
        if tree.target is None and name[:1].isupper() and types.is_type(name):
            return self._root(name)
        target = self._target(tree.target)

        def member(this: Collection, scope: Scope) -> Collection:
            found: Collection = []
            for item in target(this, scope):
                if type(item) is not Node or type(item.value) is dict or item.companion is not None:
                    append_named(found, item, name, types)
            return found

        return member

    def _root(self, name: str) -> Closure:
        """A type's name at the start of a path: the focus, if it is of that type."""
        types = self._types

        def root(this: Collection, _: Scope) -> Collection:
            return [i for i in this if type(i) is Node and name in types.ancestry(i.type)]

        return root

    def _index(self, tree: Index) -> Closure:
        target, position = self.compile(tree.target), self.compile(tree.position)

        def index(this: Collection, scope: Scope) -> Collection:
            place = as_quantity(single(position(this, scope)))
            if type(place) is not int:
                raise FhirPathError("an index has to be an Integer")
            items = target(this, scope)
            return [items[place]] if 0 <= place < len(items) else NONE

        return index

    def _unary(self, tree: Unary) -> Closure:
        operand = self.compile(tree.operand)
        apply = negative if tree.operator == "-" else positive
        return lambda this, scope: apply(operand(this, scope))

    def _binary(self, tree: Binary) -> Closure:
        left, right = self.compile(tree.left), self.compile(tree.right)
        if (joined := _LOGIC.get(tree.operator)) is not None:
            return joined(left, right)
        if tree.operator == "in" and worth_keeping(tree.right):
            return _in_fixed(left, right)
        apply = OPERATORS[tree.operator]
        return lambda this, scope: apply(left(this, scope), right(this, scope))

    def _type_test(self, tree: TypeTest) -> Closure:
        target = self._target(tree.target)
        wanted = self._types.resolve(tree.namespace, tree.name, tree.at)
        types = self._types
        if tree.operator == "is":
            return lambda this, scope: is_of(target(this, scope), wanted, types)
        if tree.operator == "as" and tree.call:
            return lambda this, scope: cast(target(this, scope), wanted, types)
        return lambda this, scope: of_type(target(this, scope), wanted, types)

    def _call(self, tree: Call) -> Closure:
        target = self._target(tree.target)
        if tree.name == "sort":
            return self._sort(target, tree)
        function = FUNCTIONS.get(tree.name)
        if function is None:
            raise FhirPathError(f"there is no function {tree.name}()", tree.at)
        count = len(tree.arguments)
        if not function.fewest <= count <= function.most:
            raise FhirPathError(f"{tree.name}() does not take {count} arguments", tree.at)
        arguments = [self.compile(argument) for argument in tree.arguments]
        apply = function.apply
        if not arguments:
            return lambda this, scope: apply(target(this, scope), scope)
        if function.lazy:
            return lambda this, scope: apply(target(this, scope), scope, *arguments)
        return lambda this, scope: apply(
            target(this, scope), scope, *[argument(this, scope) for argument in arguments]
        )

    def _sort(self, target: Closure, tree: Call) -> Closure:
        keys = []
        for argument in tree.arguments:
            falling = isinstance(argument, Unary) and argument.operator == "-"
            body = argument.operand if isinstance(argument, Unary) and falling else argument
            keys.append((self.compile(body), falling))
        return lambda this, scope: sort_by(target(this, scope), scope, keys)


def _focus(this: Collection, _: Scope) -> Collection:
    return this


def _constant(items: Collection) -> Closure:
    return lambda _, __: items


def _in_fixed(left: Closure, right: Closure) -> Closure:
    """``in`` for a right side that is worked out once in each scope."""
    keys = kept(lambda this, scope: [{item_key(item) for item in right(this, scope)}])

    def is_in(this: Collection, scope: Scope) -> Collection:
        item = single(left(this, scope))
        return NONE if item is None else boolean(item_key(item) in keys(this, scope)[0])

    return is_in


def _and(left: Closure, right: Closure) -> Closure:
    def joined(this: Collection, scope: Scope) -> Collection:
        one = truth(left(this, scope))
        return boolean(False if one is False else both(one, truth(right(this, scope))))

    return joined


def _or(left: Closure, right: Closure) -> Closure:
    def joined(this: Collection, scope: Scope) -> Collection:
        one = truth(left(this, scope))
        return boolean(True if one is True else either(one, truth(right(this, scope))))

    return joined


def _xor(left: Closure, right: Closure) -> Closure:
    return lambda this, scope: boolean(differ(truth(left(this, scope)), truth(right(this, scope))))


def _implies(left: Closure, right: Closure) -> Closure:
    def joined(this: Collection, scope: Scope) -> Collection:
        one = truth(left(this, scope))
        return boolean(True if one is False else implied(one, truth(right(this, scope))))

    return joined


_LOGIC = {"and": _and, "or": _or, "xor": _xor, "implies": _implies}
