"""The object a generated function checks, as its constraints see it."""

from collections.abc import Callable
from dataclasses import dataclass, field
from keyword import iskeyword

from service.fhir.fast.facts import PRIMITIVES, TypeChoice
from service.fhir.fast.terms import (
    NO,
    UNSURE,
    YES,
    Branch,
    Clause,
    Collection,
    UntranslatableError,
    any_of,
)


@dataclass(slots=True)
class Held:
    """An element that may stand in the object: its types, and whether it must be there."""

    choices: tuple[TypeChoice, ...]
    required: bool
    many: bool
    gathers: bool = False
    """Whether conditions on single items are found out with each item, as bits."""
    facts: list[tuple[str, str, int]] = field(default_factory=list)
    """Variable, condition on it, bit."""
    next_bit: int = 2


_FEW = 16
"""Types of a choice element that are looked at one by one."""


def variable(key: str) -> str:
    """The local variable that holds a JSON property."""
    return f"{key}_" if iskeyword(key) or key in _TAKEN else key


_TAKEN = frozenset(
    [
        "agrees", "any", "bool", "check", "dumps", "extra", "fits", "found", "matches", "hit",
        "len", "list", "mask", "only", "pick", "sum", "unsure",
    ]
)  # fmt: skip
"""What generated code calls by these names."""


@dataclass(slots=True)
class ObjectFocus:
    """An object in the variable ``o`` whose elements have been read into variables."""

    type: str
    is_resource: bool
    held: dict[str, Held]
    new_name: Callable[[], str]
    constant: Callable[[str, object], str]
    aside: bool = False
    """Whether extensions may stand in the object that are not read into a variable."""

    def itself(self) -> Collection:
        """``$this``"""
        return Collection([Branch("o", self.type, sure=True)])

    def member(self, name: str) -> Collection:
        """One branch for each type that the element may have."""
        held = self.held.get(name)
        if held is None and name == "extension" and self.aside:
            item = self.new_name()
            clause = Clause('o.get("extension") or ()', item)
            return Collection([Branch(item, "Extension", True, (clause,))])
        if held is None:
            return Collection()
        if any(choice.type == "Resource" for choice in held.choices):
            raise UntranslatableError
        sure = held.required and len(held.choices) == 1
        if len(held.choices) > _FEW:
            keys = self.constant("KEYS", frozenset(c.key for c in held.choices))
            return Collection([Branch(f"pick(o, {keys})", "", choices=held.choices, owner="o")])
        if not held.many:
            return Collection(Branch(variable(c.key), c.type, sure) for c in held.choices)
        choice, item = held.choices[0], self.new_name()
        array = variable(choice.key)
        clause = Clause(array if sure else f"{array} or ()", item)
        origin = name if held.gathers and choice.type not in PRIMITIVES else ""
        return Collection([Branch(item, choice.type, True, (clause,), origin=origin)])

    def fact(self, branch: Branch) -> str | None:
        """A bit for what the branch says of one item."""
        held = self.held[branch.origin]
        item, *rest = branch.clauses
        last = YES if branch.sure else f"({branch.value} is not None)"
        condition = any_of(tuple(rest), last)
        if condition in (YES, NO) or UNSURE in condition:
            return None
        for name, text, bit in held.facts:
            if text.replace(name, item.name) == condition:
                return f"(seen_{branch.origin} & {bit} != 0)"
        bit, held.next_bit = held.next_bit, held.next_bit * 2
        held.facts.append((item.name, condition, bit))
        return f"(seen_{branch.origin} & {bit} != 0)"


@dataclass(frozen=True, slots=True)
class LeafFocus:
    """A primitive value in a variable."""

    value: str
    type: str
    is_resource: bool = False

    def itself(self) -> Collection:
        """``$this``"""
        return Collection([Branch(self.value, self.type, sure=True)])

    def member(self, name: str) -> Collection:  # noqa: ARG002  # a Focus
        """Extensions of primitives never get as far as constraints."""
        raise UntranslatableError

    def fact(self, branch: Branch) -> str | None:  # noqa: ARG002  # a Focus
        """None: there are no items."""
        return None
