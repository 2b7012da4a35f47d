"""Rows of composite parameters: the second value, under a name made of the first.

A composite such as ``code-value-quantity`` has, for every pair of values within one element, rows
of its second value's own kind: one under the name for the first value with its system, one under
the name for it without. A question about a pair is then a condition like any other, and an index
answers it. Where the first value is a reference, its type stands for the system.
"""

from base64 import urlsafe_b64encode
from collections.abc import Iterator
from functools import lru_cache
from hashlib import blake2b

from service.fhir.search.terms import IndexRow, ReferenceRow, TokenRow

_BYTES = 9
"""72 bits keep different first values apart and give a name without padding."""


@lru_cache(maxsize=8192)
def pair_name(name: str, system: str | None, code: str) -> str:
    """What the second values are named with this first one; ``system`` None: whatever it is."""
    text = code if system is None else f"{system}|{code}"
    kind = b"code" if system is None else b"both"
    digest = blake2b(text.encode("utf-8", "replace"), digest_size=_BYTES, person=kind).digest()
    return f"{name}${urlsafe_b64encode(digest).decode()}"


def pair_rows(
    name: str, firsts: list[TokenRow | ReferenceRow], seconds: list[IndexRow]
) -> Iterator[IndexRow]:
    """The rows of one element. The names in ``seconds`` are empty or what follows a name."""
    for _, system, code in firsts:
        for named in (pair_name(name, None, code), pair_name(name, system, code)):
            for second in seconds:
                yield second._replace(parameter=named + second.parameter)
