"""The table of functions, filled by the modules beside this one."""

from collections.abc import Callable
from typing import Any, NamedTuple


class Function(NamedTuple):
    """A function of the language.

    ``apply`` takes the input collection and the scope, then its arguments: collections, or, where
    ``lazy``, closures that it calls itself with a focus and the scope.
    """

    apply: Callable[..., Any]
    fewest: int
    most: int
    lazy: bool


FUNCTIONS: dict[str, Function] = {}

_Apply = Callable[..., Any]


def function(
    name: str, fewest: int = 0, most: int | None = None, *, lazy: bool = False
) -> Callable[[_Apply], _Apply]:
    """Enters the decorated function into the table, with the arguments that it takes."""

    def enter(apply: _Apply) -> _Apply:
        FUNCTIONS[name] = Function(apply, fewest, fewest if most is None else most, lazy)
        return apply

    return enter
