"""Rows of amounts: as they are given and, in UCUM's units, in canonical units beside it.

An amount in a unit of UCUM that can be converted (R4 search.html#quantity) has a row more, under
the parameter's name and ``CANONICAL``; a question in such a unit asks for that one.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from decimal import Decimal
from fractions import Fraction
from functools import lru_cache
from typing import Any

from service.fhir.fhirpath.items import QUANTITIES
from service.fhir.fhirpath.numbers import EXACT, is_tame
from service.fhir.fhirpath.quantity import UCUM
from service.fhir.fhirpath.units import Unit, unit_of
from service.fhir.search.terms import QuantityRow

CANONICAL = ":canonical"
CURRENCIES = "urn:iso:std:iso:4217"
FAR = Decimal("1E+5000")
"""Beyond every number that is read; stands for a missing end of a range."""

Take = Callable[[Any, list[Any]], None]


@dataclass(frozen=True, slots=True)
class Canonical:
    """What amounts in a UCUM unit are worth in the canonical unit ``code``."""

    code: str
    unit: Unit
    times: Decimal
    through: Decimal

    def of(self, number: Decimal) -> Decimal:
        """An amount in canonical units, to 60 digits."""
        if self.unit.offset:
            exact = Fraction(number) * self.unit.factor + self.unit.offset
            return EXACT.divide(Decimal(exact.numerator), Decimal(exact.denominator))
        return EXACT.divide(EXACT.multiply(number, self.times), self.through)


@lru_cache(maxsize=1024)
def canonical(code: str) -> Canonical | None:
    """The canonical unit for a UCUM code; None for a code or unit that is not known."""
    unit = unit_of(code)
    if unit is None:
        return None
    powers = [f"{base}{power}" if power != 1 else base for base, power in unit.dimension]
    times, through = Decimal(unit.factor.numerator), Decimal(unit.factor.denominator)
    return Canonical(".".join(powers) or "1", unit, times, through)


def in_canonical(number: Decimal, into: Canonical) -> Decimal:
    """An amount in canonical units; what stands for no end stays as it is."""
    return number if abs(number) == FAR else into.of(number)


def _quantity(name: str, _: bool) -> Take:
    def take(value: Any, out: list[Any]) -> None:
        number = value.get("value")
        if number is not None:
            low = high = Decimal(number)
            comparator = value.get("comparator", "")
            if comparator:
                low = -FAR if comparator[0] == "<" else low
                high = FAR if comparator[0] == ">" else high
            _add(name, low, high, value, out)

    return take


def _range(name: str, _: bool) -> Take:
    def take(value: Any, out: list[Any]) -> None:
        low, high = value.get("low", {}), value.get("high", {})
        least, most = low.get("value"), high.get("value")
        if least is not None or most is not None:
            least = -FAR if least is None else Decimal(least)
            most = FAR if most is None else Decimal(most)
            _add(name, least, most, low or high, out)

    return take


def _add(name: str, low: Decimal, high: Decimal, of: dict[str, Any], out: list[Any]) -> None:
    system, code, said = of.get("system", ""), of.get("code", ""), of.get("unit", "")
    out.append(QuantityRow(name, low, high, system, code))
    if said and said != code:
        # R4 has number||unit find what people read as well as its code.
        out.append(QuantityRow(name, low, high, "", said))
    known = canonical(code) if system == UCUM else None
    if known is not None and all(is_tame(end) or abs(end) == FAR for end in (low, high)):
        ends = in_canonical(low, known), in_canonical(high, known)
        out.append(QuantityRow(f"{name}{CANONICAL}", *ends, UCUM, known.code))


def _money(name: str, _: bool) -> Take:
    def take(value: Any, out: list[Any]) -> None:
        number = value.get("value")
        if number is not None:
            amount, currency = Decimal(number), value.get("currency", "")
            out.append(QuantityRow(name, amount, amount, CURRENCIES if currency else "", currency))

    return take


AMOUNTS: Mapping[str, Callable[[str, bool], Take]] = {
    **dict.fromkeys(QUANTITIES, _quantity),
    "Range": _range,
    "Money": _money,
}
"""By type. Of SampledData there are no rows: its values are packed into one text."""
