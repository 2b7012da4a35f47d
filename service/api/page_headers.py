"""Headers of answers that people look at."""

from collections.abc import Mapping
from typing import Final

SAFE: Final[Mapping[str, str]] = {
    "Content-Security-Policy": (
        "default-src 'none'; style-src 'unsafe-inline'; base-uri 'none'; form-action 'none'; "
        "frame-ancestors 'none'"
    ),
    "Referrer-Policy": "no-referrer",
    "X-Content-Type-Options": "nosniff",
    "Cache-Control": "no-store",
    "Vary": "Accept",
}
"""A page about a child: it loads nothing, tells nobody where it was read, and is kept nowhere, so
that it is the newest each time."""
