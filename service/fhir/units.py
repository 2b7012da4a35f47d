"""UCUM codes of quantities, as far as they can be judged without a full UCUM grammar.

A code is judged wrong only where it surely is: blanks or non-ASCII characters, braces that do not
pair, or a well-known code in the wrong case, without its brackets or in words. Any other unknown
code is not judged. Rules: UCUM sections on case sensitivity and on annotations in braces; R4
Quantity constraint qty-3 (a code needs its system).
"""

import re

UCUM = "http://unitsofmeasure.org"

_ANNOTATION = re.compile(r"\{[!-z|~]*\}", re.ASCII)
_PRINTABLE = re.compile(r"[!-~]+", re.ASCII)

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


def ucum_fault(code: str) -> str | None:
    """What was expected in place of ``code``; None where it is right or cannot be judged."""
    if not _PRINTABLE.fullmatch(code):
        return "a UCUM code without blanks"
    bare = _ANNOTATION.sub("", code)
    if "{" in bare or "}" in bare:
        return "braces of a UCUM annotation in pairs"
    right = _NEAR_MISSES.get(_plain(bare))
    return None if right is None or right == bare else f'the UCUM code "{right}"'
