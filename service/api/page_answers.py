"""Answers that people look at: their headers, and the language that is asked for."""

from collections.abc import Mapping
from typing import Final

from service.api.operation_inputs import Inputs
from service.api.outcomes import refusal
from service.fhir.outcome import shown

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


def language_in(inputs: Inputs) -> str | None:
    """The parameter ``lang``; None where it is left out. Raises 400 for a language not offered."""
    from service.words import language_of, offered  # with the first page, not when it starts

    lang = inputs.text("lang")
    if lang is not None and language_of(lang) is None:
        told = f"Found {shown(lang)}, expected a language of: {', '.join(offered())}."
        raise refusal(400, told, code="not-supported", expression="http.lang")
    return lang
