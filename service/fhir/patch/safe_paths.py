"""Which FHIRPath expressions a client may send: those that walk to elements, in bounded time.

No regular expressions, no walk over everything, no way from inside back to the whole resource
(``%resource``), so that what a condition looks at is always smaller than what it is asked about.
"""

from collections.abc import Iterator
from typing import Final

from service.fhir.fhirpath import syntax
from service.fhir.patch.errors import MalformedPatchError

FUNCTIONS: Final = frozenset(
    {"where", "first", "last", "tail", "skip", "take", "single", "extension", "exists", "empty",
     "not", "count", "hasValue", "startsWith", "endsWith", "contains", "lower", "upper", "length"}
)  # fmt: skip
"""Beside these: ``is``, ``as``, ``ofType``, indexes, and operators but for ``|``, which takes two
equal elements for one."""


def check_safe(tree: syntax.Node, place: str) -> None:
    """Raises MalformedPatchError for what a client's path may not use."""
    for node in _within(tree):
        if isinstance(node, syntax.Call) and node.name not in FUNCTIONS:
            told = f"{node.name}() may not be used in the path of a patch."
            raise MalformedPatchError(told, place, "not-supported")
        if _is_union(node):
            told = "| may not be used in the path of a patch."
            raise MalformedPatchError(told, place, "not-supported")
        if isinstance(node, (syntax.Variable, syntax.Special)) and node.name != "this":
            told = "Variables other than $this may not be used in the path of a patch."
            raise MalformedPatchError(told, place, "not-supported")


def _is_union(node: syntax.Node) -> bool:
    return isinstance(node, syntax.Binary) and node.operator == "|"


def _within(tree: syntax.Node | None) -> Iterator[syntax.Node]:
    """The tree and everything in it."""
    waiting = [tree]
    while waiting:
        node = waiting.pop()
        if node is None:
            continue
        yield node
        match node:
            case syntax.Member(target=target) | syntax.TypeTest(target=target):
                waiting.append(target)
            case syntax.Call(target=target, arguments=arguments):
                waiting += [target, *arguments]
            case syntax.Index(target=target, position=position):
                waiting += [target, position]
            case syntax.Unary(operand=operand):
                waiting.append(operand)
            case syntax.Binary(left=left, right=right):
                waiting += [left, right]
