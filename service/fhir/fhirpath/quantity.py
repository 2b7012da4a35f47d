"""Quantities: a decimal with a unit, compared and calculated exactly."""

from dataclasses import dataclass
from decimal import Decimal
from fractions import Fraction
from typing import Any

from service.fhir.fhirpath.numbers import EXACT, to_decimal
from service.fhir.fhirpath.units import CALENDAR_WORDS, unit_of

UCUM = "http://unitsofmeasure.org"


@dataclass(frozen=True, slots=True)
class Quantity:
    """``unit`` is a UCUM code, a calendar word, or (never a UCUM code) ``system|code``."""

    value: Decimal
    unit: str

    def __str__(self) -> str:
        unit = self.unit if self.is_calendar else f"'{self.unit}'"
        return f"{self.value:f} {unit}"

    @property
    def is_calendar(self) -> bool:
        """Whether the unit is a calendar word."""
        return self.unit in CALENDAR_WORDS


def from_element(element: Any) -> Quantity | None:
    """A FHIR Quantity; None where it has a comparator, no value, or is no object.

    A unit without a UCUM code equals only itself (R4, fhirpath.html, "Using FHIR types").
    """
    if type(element) is not dict or "comparator" in element:
        return None
    value, code = element.get("value"), element.get("code")
    if not isinstance(value, int | Decimal) or isinstance(value, bool):
        return None
    if code is None:
        unit = f"|{element['unit']}" if "unit" in element else "1"
    else:
        unit = code if element.get("system") == UCUM else f"{element.get('system')}|{code}"
    return Quantity(Decimal(value), str(unit))


def quantity_key(quantity: Quantity) -> tuple[object, ...]:
    """Equal for equal quantities, and only for these."""
    unit = unit_of(quantity.unit)
    if unit is None:
        return (quantity.unit, Fraction(quantity.value))
    return (unit.dimension, Fraction(quantity.value) * unit.factor + unit.offset)


def compare_quantities(left: Quantity, right: Quantity) -> int | None:
    """-1, 0 or 1; None where the units cannot be converted into each other."""
    if left.unit == right.unit:
        mine, other = Fraction(left.value), Fraction(right.value)
    else:
        unit, into = unit_of(left.unit), unit_of(right.unit)
        if unit is None or into is None or unit.dimension != into.dimension:
            return None
        mine = Fraction(left.value) * unit.factor + unit.offset
        other = Fraction(right.value) * into.factor + into.offset
    return (mine > other) - (mine < other)


def comparable(left: Quantity, right: Quantity) -> bool:
    """Whether the units can be converted into each other."""
    return compare_quantities(left, right) is not None


def converted(quantity: Quantity, unit: str) -> Quantity | None:
    """The same quantity in another unit; None where there is no way."""
    if quantity.unit == unit:
        return quantity
    have, want = unit_of(quantity.unit), unit_of(unit)
    if have is None or want is None or have.dimension != want.dimension:
        return None
    value = (Fraction(quantity.value) * have.factor + have.offset - want.offset) / want.factor
    return Quantity(to_decimal(value), unit)


_IN_EQUIVALENCE = {"year": "a", "years": "a", "month": "mo", "months": "mo"}


def for_equivalence(quantity: Quantity) -> Quantity:
    """With ``~`` a calendar year or month is the UCUM unit of that name (N1, section 6.1.2)."""
    return Quantity(quantity.value, _IN_EQUIVALENCE.get(quantity.unit, quantity.unit))


def add(left: Quantity, right: Quantity, sign: int) -> Quantity | None:
    """Sum or difference in the finer of the two units; None where they do not convert."""
    have, want = unit_of(left.unit), unit_of(right.unit)
    unit = left.unit
    if have is not None and want is not None and want.factor < have.factor:
        unit = right.unit
    mine, other = converted(left, unit), converted(right, unit)
    if mine is None or other is None:
        return None
    signed = other.value if sign > 0 else -other.value
    return Quantity(EXACT.add(mine.value, signed), unit)


def multiply(left: Quantity, right: Quantity) -> Quantity:
    """The product; its unit is the product of the units."""
    value = EXACT.multiply(left.value, right.value)
    units = [_group(q.unit) for q in (left, right) if q.unit != "1"]
    return Quantity(value, ".".join(units) or "1")


def divide(left: Quantity, right: Quantity) -> Quantity | None:
    """The quotient, None on division by zero; equal units cancel."""
    if right.value == 0:
        return None
    value = to_decimal(Fraction(left.value) / Fraction(right.value))
    if left.unit == right.unit:
        return Quantity(value, "1")
    if right.unit == "1":
        return Quantity(value, left.unit)
    top = "" if left.unit == "1" else _group(left.unit)
    return Quantity(value, f"{top}/{_group(right.unit)}")


def _group(unit: str) -> str:
    code = CALENDAR_WORDS.get(unit, unit)
    return f"({code})" if "." in code or "/" in code else code
