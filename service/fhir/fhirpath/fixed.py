"""Parts of an expression that give the same for every focus in one scope.

``%resource.descendants().reference`` inside a condition on each contained resource is such a part.
Its answer is kept in the scope, so a condition on n elements does not walk the resource n times.
"""

from collections.abc import Callable

from service.fhir.fhirpath.functions import FUNCTIONS
from service.fhir.fhirpath.items import Collection
from service.fhir.fhirpath.scope import Scope
from service.fhir.fhirpath.syntax import (
    Binary,
    Call,
    Empty,
    Index,
    Literal,
    Member,
    Node,
    QuantityLiteral,
    TypeTest,
    Unary,
    Variable,
)

_OF_THE_SCOPE = frozenset({"resource", "rootResource"})
_Closure = Callable[[Collection, Scope], Collection]


def is_fixed(tree: Node | None) -> bool:
    """Whether the tree asks for nothing of the focus."""
    if isinstance(tree, Literal | QuantityLiteral | Empty):
        return True
    if isinstance(tree, Variable):
        return tree.name in _OF_THE_SCOPE
    if isinstance(tree, Binary):
        return is_fixed(tree.left) and is_fixed(tree.right)
    if isinstance(tree, Unary):
        return is_fixed(tree.operand)
    if isinstance(tree, Index):
        return is_fixed(tree.target) and is_fixed(tree.position)
    if isinstance(tree, Member | TypeTest):
        return is_fixed(tree.target)
    return isinstance(tree, Call) and _is_fixed_call(tree)


def _is_fixed_call(tree: Call) -> bool:
    if not is_fixed(tree.target):
        return False
    # The arguments of a lazy function have the target's items as their focus.
    function = FUNCTIONS.get(tree.name)
    lazy = tree.name == "sort" or (function is not None and function.lazy)
    return lazy or all(is_fixed(argument) for argument in tree.arguments)


def worth_keeping(tree: Node) -> bool:
    """Whether the tree is fixed and takes some work."""
    return isinstance(tree, Binary | Call | Member | TypeTest) and _walks(tree) and is_fixed(tree)


def _walks(tree: Node | None) -> bool:
    """Whether a variable of the scope is in the tree, outside of arguments."""
    if isinstance(tree, Binary):
        return _walks(tree.left) or _walks(tree.right)
    if isinstance(tree, Member | Call | TypeTest | Index):
        return _walks(tree.target)
    return isinstance(tree, Variable) and tree.name in _OF_THE_SCOPE


def kept(closure: _Closure) -> _Closure:
    """The closure, evaluated once in each scope."""
    key = object()

    def answer(this: Collection, scope: Scope) -> Collection:
        found = scope.kept.get(key)
        if found is None:
            found = scope.kept[key] = closure(this, scope)
        return found

    return answer
