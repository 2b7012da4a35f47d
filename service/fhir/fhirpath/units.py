"""UCUM codes and calendar words as exact multiples of base units.

The arithmetic is in fractions, so 4.0 g is exactly 4000.0 mg. The table holds the units that
clinical data use, with the factors of the UCUM specification (version 2.1, section 4: tables of
base, SI, other and customary units); a code with an unknown unit equals only itself.

Why a table: pint with ucumvert was measured at 0.25 s to import and 0.84 s to build its registry,
and answers in floating point (3 [lb_av] came out as 1.3607771100000003 kg). The table costs
nothing at start-up and is checked against that pair in the tests.
"""

import re
from fractions import Fraction
from functools import lru_cache
from typing import NamedTuple

CALENDAR_WORDS = {
    "year": "year", "years": "year", "month": "month", "months": "month",
    "week": "wk", "weeks": "wk", "day": "d", "days": "d", "hour": "h", "hours": "h",
    "minute": "min", "minutes": "min", "second": "s", "seconds": "s",
    "millisecond": "ms", "milliseconds": "ms",
}  # fmt: skip
"""Calendar words of FHIRPath with the unit each is. Weeks and shorter are of fixed length, so they
equal their UCUM unit; a calendar year or month equals no UCUM ``a`` or ``mo``."""


class Unit(NamedTuple):
    """``factor`` times the base units to their powers; ``offset`` is of temperature scales."""

    factor: Fraction
    dimension: tuple[tuple[str, int], ...]
    offset: Fraction = Fraction(0)


_PREFIXES = {
    "Y": 24, "Z": 21, "E": 18, "P": 15, "T": 12, "G": 9, "M": 6, "k": 3, "h": 2, "da": 1,
    "d": -1, "c": -2, "m": -3, "u": -6, "n": -9, "p": -12, "f": -15, "a": -18, "z": -21, "y": -24,
}  # fmt: skip
_BASE = ("m", "s", "g", "rad", "K", "C", "cd", "deg", "[iU]", "year")
_METRIC = {
    "mol": "602213670000000000000000", "sr": "rad2", "Hz": "s-1", "N": "1000.g.m.s-2",
    "Pa": "N.m-2", "J": "N.m", "W": "J.s-1", "A": "C.s-1", "V": "J.C-1", "F": "C.V-1",
    "Ohm": "V.A-1", "S": "Ohm-1", "Wb": "V.s", "T": "Wb.m-2", "H": "Wb.A-1", "lm": "cd.sr",
    "lx": "lm.m-2", "Bq": "s-1", "Gy": "J/(1000.g)", "Sv": "J/(1000.g)", "l": "m3/1000",
    "L": "m3/1000", "ar": "100.m2", "t": "1000000.g", "bar": "100000.Pa", "cal": "4184.J/1000",
    "eq": "mol", "osm": "mol", "kat": "mol.s-1", "U": "mol/1000000/min", "P": "100.g/(m.s)",
    "dyn": "g.m.s-2/100", "erg": "J/10000000", "m[H2O]": "980665.Pa/100", "m[Hg]": "133322.Pa",
    "[iU]": "[iU]", "Ci": "37000000000.Bq", "R": "258.C/(1000000.1000.g)",
}  # fmt: skip
_PLAIN = {
    "10*": "10", "10^": "10", "%": "1/100", "[ppth]": "1/1000", "[ppm]": "1/1000000",
    "[ppb]": "1/1000000000", "min": "60.s", "h": "60.min", "d": "24.h", "wk": "7.d",
    "a": "36525.d/100", "a_j": "36525.d/100", "mo": "a/12", "mo_j": "a/12", "month": "year/12",
    "gon": "9.deg/10", "'": "deg/60", "''": "deg/3600", "atm": "101325.Pa",
    "[in_i]": "254.m/10000", "[ft_i]": "12.[in_i]", "[yd_i]": "3.[ft_i]", "[mi_i]": "5280.[ft_i]",
    "[nmi_i]": "1852.m", "[kn_i]": "[nmi_i]/h", "[gr]": "6479891.g/100000000",
    "[lb_av]": "7000.[gr]", "[oz_av]": "[lb_av]/16", "[stone_av]": "14.[lb_av]",
    "[lbf_av]": "[lb_av].980665.m/(100000.s2)", "[psi]": "[lbf_av]/[in_i]2",
    "[gal_us]": "231.[in_i]3", "[qt_us]": "[gal_us]/4", "[pt_us]": "[qt_us]/2",
    "[cup_us]": "[pt_us]/2", "[foz_us]": "[pt_us]/16", "[tbs_us]": "[foz_us]/2",
    "[tsp_us]": "[tbs_us]/3", "[Cal]": "1000.cal", "[drp]": "m3/20000000", "[iU]": "[iU]",
}  # fmt: skip
_TEMPERATURES = {
    "Cel": (Fraction(1), Fraction(5463, 20)),
    "[degF]": (Fraction(5, 9), Fraction(45967, 180)),
}
_TOKEN = re.compile(
    r"(?P<annotation>\{[!-z|~]*\})|(?P<symbol>[./()])|(?P<number>\d+(?![*^\d]))"
    r"|(?P<atom>(?:\[[^\]\s]+\]|10[*^]|[A-Za-z%'_])+)(?P<power>[+-]?\d+)?",
    re.ASCII,
)
_MAX_CODE = 100
_MAX_POWER = 32
_MAX_DEPTH = 8


class _UnknownError(Exception):
    """The code is no UCUM code, or uses a unit that the table does not have."""


@lru_cache(maxsize=2048)
def unit_of(code: str) -> Unit | None:
    """The unit that a UCUM code or calendar word means; None where it is not known."""
    code = CALENDAR_WORDS.get(code, code)
    if code in _TEMPERATURES:
        factor, offset = _TEMPERATURES[code]
        return Unit(factor, (("K", 1),), offset)
    if not code or len(code) > _MAX_CODE:
        return None
    try:
        factor, powers = _Reader(code).read()
    except _UnknownError:
        return None
    return Unit(factor, tuple(sorted((base, power) for base, power in powers.items() if power)))


class _Reader:
    """Multiplies the parts of one code together, left to right."""

    def __init__(self, code: str) -> None:
        self._tokens: list[re.Match[str]] = []
        at = 0
        while at < len(code):
            match = _TOKEN.match(code, at)
            if match is None:
                raise _UnknownError
            self._tokens.append(match)
            at = match.end()
        self._next = 0

    def read(self) -> tuple[Fraction, dict[str, int]]:
        product = self._term(0)
        if self._next != len(self._tokens):
            raise _UnknownError
        return product

    def _symbol(self, *wanted: str) -> str | None:
        if self._next < len(self._tokens):
            text = self._tokens[self._next].group()
            if text in wanted:
                self._next += 1
                return text
        return None

    def _term(self, depth: int) -> tuple[Fraction, dict[str, int]]:
        factor, powers = Fraction(1), dict[str, int]()
        operator: str | None = self._symbol("/") or "."
        while operator is not None:
            part, of_part = self._component(depth)
            sign = -1 if operator == "/" else 1
            factor *= part**sign
            for base, power in of_part.items():
                powers[base] = powers.get(base, 0) + sign * power
            operator = self._symbol(".", "/")
        return factor, powers

    def _component(self, depth: int) -> tuple[Fraction, dict[str, int]]:
        if self._symbol("("):
            if depth == _MAX_DEPTH:
                raise _UnknownError
            inner = self._term(depth + 1)
            if not self._symbol(")"):
                raise _UnknownError
            return inner
        if self._next == len(self._tokens):
            raise _UnknownError
        token = self._tokens[self._next]
        self._next += 1
        if token["annotation"]:
            return Fraction(1), {}
        part = _value(token)
        self._skip_annotation()
        return part

    def _skip_annotation(self) -> None:
        if self._next < len(self._tokens) and self._tokens[self._next]["annotation"]:
            self._next += 1


def _value(token: re.Match[str]) -> tuple[Fraction, dict[str, int]]:
    if token["number"]:
        if int(token["number"]) == 0:
            raise _UnknownError
        return Fraction(int(token["number"])), {}
    if not token["atom"]:
        raise _UnknownError
    power = int(token["power"] or 1)
    if abs(power) > _MAX_POWER:
        raise _UnknownError
    factor, powers = _atom(token["atom"])
    return factor**power, {base: exponent * power for base, exponent in powers.items()}


@lru_cache(maxsize=1024)
def _atom(name: str) -> tuple[Fraction, dict[str, int]]:
    if name in _BASE:
        return Fraction(1), {name: 1}
    for table in (_PLAIN, _METRIC):
        if name in table:
            return _Reader(table[name]).read()
    for length in (2, 1):
        prefix, rest = name[:length], name[length:]
        if prefix in _PREFIXES and (rest in _METRIC or rest in _BASE[:7]):
            factor, powers = _atom(rest)
            return factor * Fraction(10) ** _PREFIXES[prefix], powers
    raise _UnknownError
