"""The parameters of a request: decoded once, in order, whatever road they came by."""

import re
from collections.abc import Sequence
from datetime import date, datetime
from urllib.parse import parse_qsl, quote, urlencode

from starlette.requests import Request

from service.api.headers import FORM, check_content_type
from service.api.outcomes import refusal
from service.fhir.outcome import shown
from service.fhir.spans import Span, span_of

Pair = tuple[str, str]

PAGE = "_page"
"""Names the cursor in links to further pages. Its value is ours and means nothing to a client."""

_INSTANT = re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d(\.\d{1,6})?(Z|[+-]\d\d:\d\d)", re.ASCII)
_DAY = re.compile(r"\d{4}-\d\d-\d\d", re.ASCII)
_MOST_PARAMETERS = 200


def pairs_of(request: Request) -> list[Pair]:
    """Name and value of every parameter in the address."""
    return _decoded(request.scope["query_string"])


async def form_pairs_of(request: Request) -> list[Pair]:
    """Those in the address and those in a form body (R4 http.html#search: both apply)."""
    check_content_type(request, frozenset({FORM}))
    return pairs_of(request) + _decoded(await request.body())


def address(path: str, pairs: Sequence[Pair]) -> str:
    """A URL with these parameters, encoded so that it reads back as the same ones."""
    return f"{path}?{urlencode(pairs, quote_via=quote)}" if pairs else path


def only(pairs: Sequence[Pair], name: str) -> str | None:
    """The value of a parameter that may be given once. Raises 400 when it is repeated."""
    values = [value for key, value in pairs if key == name]
    if len(values) > 1:
        raise refusal(400, f"{name} is given {len(values)} times, once is expected.")
    return values[0] if values else None


def page_size(asked: int | None, usual: int, most: int) -> int:
    """How many entries to put on a page."""
    return usual if asked is None else min(asked, most)


def count_in(pairs: Sequence[Pair]) -> int | None:
    """The value of ``_count``. Raises 400 for anything but a whole number."""
    text = only(pairs, "_count")
    if text is None:
        return None
    if not re.fullmatch(r"\d{1,9}", text, re.ASCII):
        raise refusal(400, "A whole number is expected.", expression="http._count")
    return int(text)


def instant_in(pairs: Sequence[Pair], name: str) -> datetime | None:
    """The instant that a parameter names. Raises 400 for less than seconds and an offset."""
    text = only(pairs, name)
    if text is None:
        return None
    try:
        if _INSTANT.fullmatch(text):
            return datetime.fromisoformat(text)
    except ValueError:
        pass
    told = "A time with seconds and offset is expected, for example 2031-05-01T07:05:00Z."
    raise refusal(400, told, expression=f"http.{name}")


def day_in(pairs: Sequence[Pair], name: str) -> date | None:
    """The day that a parameter names. Raises 400 for anything but a whole date."""
    text = only(pairs, name)
    if text is None:
        return None
    try:
        if _DAY.fullmatch(text):
            return date.fromisoformat(text)
    except ValueError:
        pass
    told = f"{name} must be a day, for example 2031-05-01."
    raise refusal(400, told, code="value", expression=f"http.{name}")


def span_in(pairs: Sequence[Pair], name: str) -> Span | None:
    """The time that a parameter names: a date, a part of one, or an instant; or, with a prefix,
    all before or after. Given several times, what they have in common.

    Raises 400 for anything else.
    """
    values = [value for key, value in pairs if key == name]
    if not values:
        return None
    spans = [_span(value, name) for value in values]
    return max(low for low, _ in spans), min(high for _, high in spans)


_ALWAYS = 2**62


def _span(text: str, name: str) -> Span:
    prefix, value = (text[:2], text[2:]) if text[:2].isalpha() else ("eq", text)
    try:
        low, high = span_of(value)
    except ValueError:
        told = "A date, a part of one or an instant with offset is expected."
        raise refusal(400, told, expression=f"http.{name}") from None
    spans = {
        "eq": (low, high),
        "ge": (low, _ALWAYS),
        "gt": (high, _ALWAYS),
        "sa": (high, _ALWAYS),
        "le": (-_ALWAYS, high),
        "lt": (-_ALWAYS, low),
        "eb": (-_ALWAYS, low),
    }
    if prefix not in spans:
        told = f"Prefix {shown(prefix)} says nothing here; {', '.join(spans)} do."
        raise refusal(400, told, expression=f"http.{name}")
    return spans[prefix]


def _decoded(text: bytes) -> list[Pair]:
    try:
        return parse_qsl(
            text.decode("utf-8"),
            keep_blank_values=True,
            errors="strict",
            max_num_fields=_MOST_PARAMETERS,
        )
    except ValueError:  # covers UnicodeDecodeError
        told = f"Parameters must be UTF-8, at most {_MOST_PARAMETERS} of them."
        raise refusal(400, told) from None
