"""The syntax tree of an expression. ``at`` is an offset in its text."""

from dataclasses import dataclass
from decimal import Decimal
from typing import TypeAlias

from service.fhir.fhirpath.temporal import Temporal


@dataclass(frozen=True, slots=True)
class Literal:
    """A Boolean, String, Integer, Decimal, Date, DateTime or Time written in the text."""

    value: bool | str | int | Decimal | Temporal
    at: int


@dataclass(frozen=True, slots=True)
class QuantityLiteral:
    """A number with a UCUM code in quotes, or with a calendar word (``4 days``)."""

    value: Decimal
    unit: str
    at: int


@dataclass(frozen=True, slots=True)
class Empty:
    """``{}``"""

    at: int


@dataclass(frozen=True, slots=True)
class Variable:
    """``%name``"""

    name: str
    at: int


@dataclass(frozen=True, slots=True)
class Special:
    """``$this``, ``$index`` or ``$total``; ``name`` comes without the sign."""

    name: str
    at: int


@dataclass(frozen=True, slots=True)
class Member:
    """An element by name, of ``target`` or, where that is None, of the focus."""

    target: "Node | None"
    name: str
    at: int


@dataclass(frozen=True, slots=True)
class Call:
    """A function, on ``target`` or, where that is None, on the focus."""

    target: "Node | None"
    name: str
    arguments: tuple["Node", ...]
    at: int


@dataclass(frozen=True, slots=True)
class Index:
    """``target[position]``"""

    target: "Node"
    position: "Node"
    at: int


@dataclass(frozen=True, slots=True)
class Unary:
    """``+`` or ``-`` before an expression."""

    operator: str
    operand: "Node"
    at: int


@dataclass(frozen=True, slots=True)
class Binary:
    """Two expressions joined by an operator, symbol or word."""

    operator: str
    left: "Node"
    right: "Node"
    at: int


@dataclass(frozen=True, slots=True)
class TypeTest:
    """``is``, ``as`` or ``ofType`` with its type; ``call`` where it was written as a function."""

    operator: str
    target: "Node | None"
    namespace: str | None
    name: str
    call: bool
    at: int


Node: TypeAlias = (
    Literal
    | QuantityLiteral
    | Empty
    | Variable
    | Special
    | Member
    | Call
    | Index
    | Unary
    | Binary
    | TypeTest
)
