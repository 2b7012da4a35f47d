"""Whether the code of a quantity is UCUM, and what was probably meant where it is not.

UCUM sections on case sensitivity and on annotations in braces; in R4 a unit's code needs its system
(qty-3), and ``unit`` beside it is text for people.
"""

import re
from functools import lru_cache

from service.fhir.ucum.grammar import is_ucum

UCUM = "http://unitsofmeasure.org"

_PRINTABLE = re.compile(r"[!-~]+", re.ASCII)
_ANNOTATION = re.compile(r"\{[!-z|~]*\}", re.ASCII)

# Codes whose other spellings mean nothing else in UCUM, so that a near miss is surely a mistake
# ("S" is siemens and "ML" megalitre, so s and mL are not among them).
_UNMISTAKABLE = ("cm[H2O]", "mm[Hg]", "Hz", "min", "/min", "kPa", "Cel")
_IN_WORDS = {
    "second": "s", "seconds": "s", "sec": "s", "secs": "s",
    "minute": "min", "minutes": "min", "mins": "min",
    "hour": "h", "hours": "h", "hr": "h", "hrs": "h",
    "day": "d", "days": "d", "week": "wk", "weeks": "wk", "month": "mo", "months": "mo",
    "year": "a", "years": "a", "percent": "%", "bpm": "/min",
}  # fmt: skip


def _plain(code: str) -> str:
    return code.translate({ord("["): None, ord("]"): None}).lower()


_NEAR_MISSES = {_plain(code): code for code in _UNMISTAKABLE} | _IN_WORDS


@lru_cache(maxsize=4096)
def ucum_fault(code: str) -> str | None:
    """What was expected in place of ``code``; None where it is right."""
    if is_ucum(code):
        return None
    return _mistake(code) or "a code of UCUM"


def is_mistake(code: str) -> bool:
    """Whether what is no code surely was meant to be one; an unknown unit may be a local one."""
    return not is_ucum(code) and _mistake(code) is not None


def _mistake(code: str) -> str | None:
    if not _PRINTABLE.fullmatch(code):
        return "a UCUM code without blanks"
    bare = _ANNOTATION.sub("", code)
    if "{" in bare or "}" in bare:
        return "braces of a UCUM annotation in pairs"
    right = _NEAR_MISSES.get(_plain(bare))
    return f'the UCUM code "{right}"' if right else None
