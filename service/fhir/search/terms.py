"""What a resource is found by (rows) and what is asked (criteria), for any engine.

Extraction makes rows, parsing makes criteria, and a store answers criteria over rows. Values
are comparable as they stand here: times in UTC as microseconds since 1970, numbers as exact
decimals, texts folded where case and accents do not count. Rows are tuples, which are made and
compared quickest; those of one parameter are all of one class.

``_id`` and ``_lastUpdated`` have no rows: a store knows them itself, asked for as token and date.
"""

from dataclasses import dataclass
from decimal import Decimal
from typing import Literal, NamedTuple

Prefix = Literal["eq", "ne", "gt", "lt", "ge", "le", "sa", "eb", "ap"]
"""R4 search.html#prefix. ``ap`` is met by overlap with a span that was widened already."""
Kind = Literal["token", "reference", "date", "string", "quantity", "uri", "composite", "text"]
"""Parameters of R4's type number are quantities without a unit. ``composite`` and ``text`` are
kinds of parameters only: their rows and conditions are of the other kinds."""

BEGINNING = -(2**62)
"""Lower end of a period without a start."""
END = 2**62
"""Upper end of a period without an end."""


class TokenRow(NamedTuple):
    """A code, identifier, boolean or contact. ``system`` is empty where there is none."""

    parameter: str
    system: str
    code: str


class ReferenceRow(NamedTuple):
    """A link: type and id within this service, or no type and the whole address elsewhere."""

    parameter: str
    type: str
    id: str


class DateRow(NamedTuple):
    """A time span from ``low`` up to, not including, ``high``."""

    parameter: str
    low: int
    high: int


class StringRow(NamedTuple):
    """A text as written and as compared (folded: no case, no accents)."""

    parameter: str
    text: str
    folded: str


class QuantityRow(NamedTuple):
    """An amount, or a range of amounts (both ends included). ``system`` empty: no coded unit."""

    parameter: str
    low: Decimal
    high: Decimal
    system: str
    code: str


class UriRow(NamedTuple):
    """A URI, compared exactly."""

    parameter: str
    uri: str


IndexRow = TokenRow | ReferenceRow | DateRow | StringRow | QuantityRow | UriRow
"""Beside the rows of a parameter itself there are those that only some questions ask for; their
``parameter`` is its name and a colon or a dollar sign and more: see ``rows`` and ``pairs``."""


@dataclass(frozen=True, slots=True)
class TokenValue:
    """``system`` None: any; empty: explicitly none. ``code`` None: any code of the system."""

    system: str | None
    code: str | None


@dataclass(frozen=True, slots=True)
class ReferenceValue:
    """``type`` None: any type within this service; empty: ``id`` is a whole address elsewhere."""

    type: str | None
    id: str


@dataclass(frozen=True, slots=True)
class DateValue:
    """A time span from ``low`` up to, not including, ``high``, and how to compare with it."""

    prefix: Prefix
    low: int
    high: int


@dataclass(frozen=True, slots=True)
class StringValue:
    """Folded text, except for ``exact``: text as written."""

    text: str
    how: Literal["starts", "contains", "exact"] = "starts"


@dataclass(frozen=True, slots=True)
class QuantityValue:
    """A number with the span that its precision stands for (``low`` included, ``high`` not).

    ``system`` and ``code`` None: whatever the unit.
    """

    prefix: Prefix
    number: Decimal
    low: Decimal
    high: Decimal
    system: str | None = None
    code: str | None = None


@dataclass(frozen=True, slots=True)
class UriValue:
    """``below``: this URI or any that continues it after a slash; ``above``: the other way."""

    uri: str
    how: Literal["exact", "below", "above"] = "exact"


Value = TokenValue | ReferenceValue | DateValue | StringValue | QuantityValue | UriValue


@dataclass(frozen=True, slots=True)
class Condition:
    """One parameter of a search: any of ``values``; negated: none of them, judged on the resource.

    ``missing`` True or False asks whether there is any value at all; then ``values`` is empty.
    """

    parameter: str
    kind: Kind
    values: tuple[Value, ...] = ()
    negated: bool = False
    missing: bool | None = None

    @classmethod
    def refers_to(cls, parameter: str, type_: str, id_: str) -> "Condition":
        """That the parameter refers to this resource of this service."""
        return cls(parameter, "reference", (ReferenceValue(type_, id_),))

    @classmethod
    def has_token(cls, parameter: str, system: str, code: str) -> "Condition":
        """That the parameter has this code of this system, or this identifier."""
        return cls(parameter, "token", (TokenValue(system, code),))


@dataclass(frozen=True, slots=True)
class Linked:
    """A chain: the reference ``parameter`` leads to a resource of ``type`` that meets all."""

    parameter: str
    type: str
    criteria: tuple["Criterion", ...]


@dataclass(frozen=True, slots=True)
class Having:
    """``_has``: some resource of ``type`` refers here by ``parameter`` and meets all."""

    type: str
    parameter: str
    criteria: tuple["Criterion", ...]


@dataclass(frozen=True, slots=True)
class AnyOf:
    """At least one holds: a chain over several target types, or membership of a compartment."""

    criteria: tuple["Criterion", ...]


Criterion = Condition | Linked | Having | AnyOf
"""What a resource must meet. Linked and referring resources count only while undeleted."""


@dataclass(frozen=True, slots=True)
class SortKey:
    """Order by a parameter; where a resource has several values, by the one that comes first."""

    parameter: str
    kind: Kind
    descending: bool = False
