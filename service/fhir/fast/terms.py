"""The pieces that a constraint is translated into: Python expressions that are exactly true or
exactly false, and collections as the loops that would visit them.
"""

from collections.abc import Iterable
from dataclasses import dataclass, replace

from service.fhir.fast.facts import TypeChoice

YES, NO, UNSURE = "True", "False", "unsure()"


class UntranslatableError(Exception):
    """An expression outside the subset that is translated."""


@dataclass(frozen=True, slots=True)
class Truth:
    """A condition. ``true`` holds exactly where it is true, ``false`` exactly where it is false.

    Where neither holds it is empty. ``false`` is None where it is not known exactly; ``total`` says
    that it is never empty.
    """

    true: str
    false: str | None
    total: bool = False


@dataclass(frozen=True, slots=True)
class Clause:
    """``for name in text`` or, without a name, ``if text``."""

    text: str
    name: str = ""


@dataclass(frozen=True, slots=True)
class Branch:
    """Values that an expression may give: ``value`` under the clauses, None where there is none.

    ``sure``: there always is one. ``type`` is an R4 type or path, or String or Integer.
    ``owner`` and ``choices`` are those of a choice element that has not been narrowed to one type.
    ``origin`` names the element of the focus whose items the first clause visits.
    """

    value: str
    type: str
    sure: bool = False
    clauses: tuple[Clause, ...] = ()
    choices: tuple[TypeChoice, ...] = ()
    owner: str = ""
    origin: str = ""

    @property
    def loops(self) -> bool:
        """Whether there may be more than one value."""
        return any(clause.name for clause in self.clauses)


class Collection(list[Branch]):
    """All branches of an expression; ``loose`` where the same value may come from two of them."""

    def __init__(self, branches: Iterable[Branch] = (), loose: bool = False) -> None:
        super().__init__(branches)
        self.loose = loose


def both(left: str, right: str) -> str:
    """``and``, with constants folded."""
    if NO in (left, right):
        return NO
    if left in (YES, right):
        return right
    return left if right == YES else f"({left} and {right})"


def either(left: str, right: str) -> str:
    """``or``, with constants folded."""
    if YES in (left, right):
        return YES
    if left in (NO, right):
        return right
    return left if right == NO else f"({left} or {right})"


def negated(text: str) -> str:
    """``not``, with constants folded."""
    if text in (YES, NO):
        return NO if text == YES else YES
    return f"(not {text})"


def total(text: str) -> Truth:
    """A condition that is never empty."""
    return Truth(text, negated(text), total=True)


def with_value(branch: Branch) -> Branch:
    """The branch where it has a value; what is computed from it may then rely on that."""
    if branch.sure:
        return branch
    clause = Clause(f"({branch.value} is not None)")
    return replace(branch, sure=True, clauses=(*branch.clauses, clause))


def any_of(clauses: tuple[Clause, ...], last: str) -> str:
    """Whether ``last`` holds at any turn of the loops."""
    outer = YES
    for place, clause in enumerate(clauses):
        if clause.name:
            return both(outer, _loop(clauses[place:], last))
        outer = both(outer, clause.text)
    return both(outer, last)


def _loop(clauses: tuple[Clause, ...], last: str) -> str:
    if last == NO:
        return NO
    if len(clauses) == 1 and last == YES:
        return f"bool({clauses[0].text})"
    return f"any({last} {visits(clauses)})"


def visits(clauses: Iterable[Clause]) -> str:
    """The clauses as they stand in a comprehension."""
    words = (f"for {c.name} in {c.text}" if c.name else f"if {c.text}" for c in clauses)
    return " ".join(words)


def presence(branch: Branch) -> str:
    """Whether the branch has a value at all."""
    return any_of(branch.clauses, YES if branch.sure else f"({branch.value} is not None)")


def exists(branches: Iterable[Branch]) -> str:
    """Whether any branch has a value."""
    text = NO
    for branch in branches:
        text = either(text, presence(branch))
    return text


def listed(branches: Iterable[Branch]) -> str:
    """A Python list of all values."""
    parts = []
    for branch in map(with_value, branches):
        clauses = branch.clauses
        if branch.loops and not clauses[0].name:
            clauses = (Clause("(1,)", "_"), *clauses)
        if branch.loops:
            parts.append(f"*({branch.value} {visits(clauses)})")
        else:
            guard = any_of(clauses, YES)
            value = branch.value
            parts.append(value if guard == YES else f"*(({value},) if {guard} else ())")
    return f"[{', '.join(parts)}]"
