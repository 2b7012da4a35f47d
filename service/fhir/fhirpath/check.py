"""What can be said of an expression before there is data: names that no type has, lost order.

Types are followed from the focus as far as the table tells them; where they are not known (what
``resolve()`` gives, a resource of any type) nothing is said.
"""

from typing import NamedTuple

from service.fhir.fhirpath.errors import FhirPathError
from service.fhir.fhirpath.functions import FUNCTIONS
from service.fhir.fhirpath.model import DYNAMIC, SYSTEM_OF, Types
from service.fhir.fhirpath.syntax import Binary, Call, Index, Member, Node, Special, TypeTest, Unary


class Shape(NamedTuple):
    """The R4 types that the items may have, None where they are not known; whether in order."""

    types: frozenset[str] | None
    ordered: bool = True


_UNKNOWN = Shape(None)
_KEEPS_ITEMS = frozenset(
    {"where", "first", "last", "tail", "skip", "take", "single", "trace", "distinct", "intersect",
     "exclude", "checkModifiers", "sort"}
)  # fmt: skip
_NEEDS_ORDER = frozenset({"first", "last", "tail", "skip", "take"})
_WITHOUT_ORDER = frozenset({"children", "descendants"})
_IN_PRIMITIVES = frozenset({"id", "extension"})


def check(tree: Node, type_name: str, types: Types) -> None:
    """Raises FhirPathError for an element that no type at its place has, or for the first, last or
    numbered item of a collection without an order."""
    _Checker(types).shape(tree, Shape(frozenset({type_name})))


class _Checker:
    def __init__(self, types: Types) -> None:
        self._types = types

    def shape(self, tree: Node | None, focus: Shape) -> Shape:
        """What the tree gives for such a focus."""
        if tree is None or (isinstance(tree, Special) and tree.name == "this"):
            return focus
        if isinstance(tree, Member):
            return self._member(tree, focus)
        if isinstance(tree, Call):
            return self._call(tree, focus)
        if isinstance(tree, TypeTest):
            return self._type_test(tree, focus)
        if isinstance(tree, Binary):
            sides = self.shape(tree.left, focus), self.shape(tree.right, focus)
            return _either(*sides) if tree.operator == "|" else _UNKNOWN
        if isinstance(tree, Index):
            return self._index(tree, focus)
        if isinstance(tree, Unary):
            self.shape(tree.operand, focus)
        return _UNKNOWN

    def _member(self, tree: Member, focus: Shape) -> Shape:
        if tree.target is None and tree.name[:1].isupper() and self._types.is_type(tree.name):
            return self._root(tree, focus)
        target = self.shape(tree.target, focus)
        if target.types is None:
            return _UNKNOWN
        found: set[str] = set()
        for name in target.types:
            inside = self._inside(name, tree.name)
            if inside is None:
                return _UNKNOWN
            found |= inside
        if not found:
            owners = ", ".join(sorted(target.types))
            raise FhirPathError(f"{owners} has no element {tree.name}", tree.at)
        return Shape(frozenset(found), target.ordered)

    def _inside(self, type_name: str, name: str) -> set[str] | None:
        """Types of an element of a type; None where they cannot be known."""
        if type_name in SYSTEM_OF and name not in _IN_PRIMITIVES:
            return set()
        elements = self._types.elements(type_name)
        element = None if elements is None else elements.get(name)
        if element is None:
            return None if elements is None or type_name in DYNAMIC else set()
        return set(element.keys.values())

    def _root(self, tree: Member, focus: Shape) -> Shape:
        if focus.types is None or focus.types & DYNAMIC:
            return Shape(frozenset({tree.name}))
        kept = frozenset(of for of in focus.types if tree.name in self._types.ancestry(of))
        if not kept:
            raise FhirPathError(f"the focus is no {tree.name}", tree.at)
        return Shape(kept, focus.ordered)

    def _index(self, tree: Index, focus: Shape) -> Shape:
        target = self.shape(tree.target, focus)
        self.shape(tree.position, focus)
        if not target.ordered:
            raise FhirPathError("an index needs a collection in order", tree.at)
        return target

    def _type_test(self, tree: TypeTest, focus: Shape) -> Shape:
        target = self.shape(tree.target, focus)
        wanted = self._types.resolve(tree.namespace, tree.name, tree.at).fhir
        if tree.operator == "is" or wanted is None:
            return _UNKNOWN
        return Shape(frozenset({wanted}), target.ordered)

    def _call(self, tree: Call, focus: Shape) -> Shape:
        target = self.shape(tree.target, focus)
        if tree.name in _NEEDS_ORDER and not target.ordered:
            raise FhirPathError(f"{tree.name}() needs a collection in order", tree.at)
        lazy = tree.name == "sort" or FUNCTIONS[tree.name].lazy
        given = [self.shape(argument, target if lazy else focus) for argument in tree.arguments]
        if tree.name in _KEEPS_ITEMS:
            return target
        if tree.name in _WITHOUT_ORDER:
            return Shape(None, False)
        if tree.name in ("select", "repeat"):
            return given[0]
        if tree.name in ("union", "combine"):
            return _either(target, given[0])
        return Shape(frozenset({"Extension"})) if tree.name == "extension" else _UNKNOWN


def _either(one: Shape, other: Shape) -> Shape:
    if one.types is None or other.types is None:
        return Shape(None, one.ordered and other.ordered)
    return Shape(one.types | other.types, one.ordered and other.ordered)
