"""Decimal arithmetic: exact sums and products, quotients and roots to eight decimals.

FHIRPath N1 (section 4.1.4) asks for 28 digits and a step of 10^-8 at least; sums and products keep
every digit up to 60.
"""

from decimal import ROUND_HALF_UP, Context, Decimal, InvalidOperation, Overflow
from fractions import Fraction

EXACT = Context(prec=60, rounding=ROUND_HALF_UP, traps=[InvalidOperation, Overflow])
"""For sums, products and the functions of section 5.7."""
_STEP = Decimal("1e-8")
_LARGEST_EXPONENT = 400


def to_decimal(value: Fraction) -> Decimal:
    """A fraction, exactly where it ends within 28 places, else to 8 decimals."""
    quotient = EXACT.divide(Decimal(value.numerator), Decimal(value.denominator))
    if Fraction(quotient) == value:
        return _short(quotient)
    return stepped(quotient)


def stepped(value: Decimal) -> Decimal:
    """To eight decimals, without trailing zeros beyond one; large values keep their digits."""
    if value.adjusted() > 45:
        return value
    return _short(value.quantize(_STEP, rounding=ROUND_HALF_UP, context=EXACT))


def _short(value: Decimal) -> Decimal:
    short = value.normalize(EXACT)
    exponent = short.as_tuple().exponent
    return short.quantize(Decimal(1), context=EXACT) if int(exponent) > 0 else short


def is_tame(value: Decimal) -> bool:
    """Whether the number is of a size that arithmetic can work with in bounded time."""
    return value.is_finite() and abs(value.adjusted()) <= _LARGEST_EXPONENT


def places(value: Decimal) -> int:
    """Decimals of the value, trailing zeros left out."""
    exponent = value.normalize(EXACT).as_tuple().exponent
    return max(0, -int(exponent))
