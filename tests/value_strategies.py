"""Texts, codes, numbers, dates and spells: what the documents of the trade are made of."""

from datetime import UTC, date, datetime, timedelta, timezone
from decimal import Decimal
from typing import Any

from hypothesis import strategies as st

Json = dict[str, Any]

_visible = st.characters(exclude_categories=("Cs", "Cc", "Cn", "Co", "Z"))
_words = st.lists(st.text(_visible, min_size=1, max_size=6), min_size=1, max_size=3)
texts = _words.map(" ".join)
codes = _words.map(" ".join)
ids = st.text("abcXYZ019-.", min_size=1, max_size=20)
languages = st.sampled_from(["en", "fr", "de-CH", "pt-BR", "sr-Latn-RS", "zh-Hant"])
urls = st.sampled_from(["https://clinic.example/number", "urn:oid:2.16.840.1.113883.2.4.6.3"])
identifiers = st.fixed_dictionaries({"system": urls, "value": texts})


@st.composite
def decimals(draw: st.DrawFn, low: int, high: int) -> Decimal:
    """A number from ``low`` to ``high`` with up to three decimals, which may be zeros."""
    places = draw(st.integers(0, 3))
    return Decimal(draw(st.integers(low * 10**places, high * 10**places))).scaleb(-places)


def parts(required: dict[str, Any] | None = None, /, **optional: Any) -> st.SearchStrategy[Json]:
    """An object with the required parts and any of the optional ones."""
    return st.fixed_dictionaries(required or {}, optional=optional)


_offsets = st.integers(-48, 56).map(lambda quarters: timezone(timedelta(minutes=15 * quarters)))
instants = st.builds(
    lambda moment, offset: moment.replace(tzinfo=UTC).astimezone(offset),
    st.datetimes(datetime(2005, 1, 1), datetime(2060, 1, 1)),  # noqa: DTZ001  (made aware above)
    _offsets,
)
days = st.dates(date(2005, 1, 1), date(2060, 1, 1))
clock_times = st.times().map(lambda clock: clock.replace(microsecond=0).isoformat())


@st.composite
def spells(draw: st.DrawFn) -> Json:
    """``start`` and, mostly, a later ``end``, both as days or both as instants."""
    start = draw(days | instants)
    spell = {"start": start.isoformat()}
    if draw(st.booleans()):
        spell["end"] = (start + timedelta(days=draw(st.integers(0, 700)))).isoformat()
    return spell
