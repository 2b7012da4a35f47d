"""What every document of the trade has in common: names, numbers, dates and codes.

Documents are JSON with lowerCamelCase names. Nothing unknown is accepted, and no value is
quietly turned into another: ``"12"`` is not a number, ``1.0`` is not a count, a date keeps its
precision and a time its offset.
"""

import re
from collections.abc import Callable, Mapping
from datetime import date, datetime, time
from decimal import Decimal
from typing import Annotated, Any, TypeVar

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, PlainSerializer, WithJsonSchema
from pydantic.alias_generators import to_camel

T = TypeVar("T")


class Document(BaseModel):
    """Base of every document model: camelCase in JSON, closed, immutable."""

    model_config = ConfigDict(
        alias_generator=to_camel,
        validate_by_name=True,
        validate_by_alias=True,
        serialize_by_alias=True,
        extra="forbid",
        frozen=True,
    )

    def to_json(self) -> dict[str, Any]:
        """The document as JSON values: decimals stay ``Decimal``, what is absent is left out."""
        dumped: dict[str, Any] = _without_empty(self.model_dump(by_alias=True, exclude_none=True))
        return dumped


def _without_empty(value: Any) -> Any:
    if isinstance(value, tuple):
        return [_without_empty(part) for part in value]
    if not isinstance(value, dict):
        return value
    kept = {}
    for name, part in value.items():
        if isinstance(part, dict | tuple):
            part = _without_empty(part)
            if not part:
                continue
        kept[name] = part
    return kept


def told(error: Mapping[str, Any]) -> str:
    """One error of a model in words: the rules here say only what they expect."""
    own = error["type"] == "value_error"
    return f"{error['ctx']['error']} is expected" if own else str(error["msg"])


def _whole_number(value: object) -> object:
    if isinstance(value, bool) or not isinstance(value, int):
        raise ValueError("a whole number")
    return value


def _number(value: object) -> object:
    if isinstance(value, bool) or not isinstance(value, int | Decimal | float):
        raise ValueError("a number")
    number = Decimal(repr(value)) if isinstance(value, float) else Decimal(value)
    if not number.is_finite():
        raise ValueError("a finite number")
    return number


_CALENDAR_DAY = re.compile(r"\d{4}-\d{2}-\d{2}", re.ASCII)
_INSTANT = re.compile(r"\d{4}-\d{2}-\d{2}T\d{2}:\d{2}:\d{2}(\.\d+)?(Z|[+-]\d{2}:\d{2})", re.ASCII)
_PARTIAL_DATE = re.compile(r"\d{4}(-\d{2}(-\d{2})?)?", re.ASCII)
_CLOCK_TIME = re.compile(r"\d{2}:\d{2}(:\d{2})?", re.ASCII)
_DAY_EXPECTED = "a calendar date such as 2031-05-01"
_INSTANT_EXPECTED = "a time with seconds and UTC offset such as 2031-05-01T07:05:00+02:00"
_PARTIAL_EXPECTED = "a year, a month or a date (2019, 2019-07, 2019-07-15)"
_CLOCK_EXPECTED = "a clock time such as 07:30"


def _read_by(read: Callable[[str], T], text: str, expected: str) -> T:
    """What looks like a date or time may still be none: 30 February, 25 o'clock."""
    try:
        return read(text)
    except ValueError:
        raise ValueError(expected) from None


def _day(value: object) -> object:
    if isinstance(value, str) and _CALENDAR_DAY.fullmatch(value):
        return _read_by(date.fromisoformat, value, _DAY_EXPECTED)
    if isinstance(value, date) and not isinstance(value, datetime):
        return value
    raise ValueError(_DAY_EXPECTED)


def instant(value: object) -> datetime:
    """A time with its offset, out of text too. Raises ``ValueError`` for anything else."""
    if isinstance(value, str) and _INSTANT.fullmatch(value):
        return _read_by(datetime.fromisoformat, value, _INSTANT_EXPECTED)
    if isinstance(value, datetime) and value.tzinfo is not None:
        return value
    raise ValueError(_INSTANT_EXPECTED)


def _moment(value: object) -> object:
    is_day = isinstance(value, date) and not isinstance(value, datetime)
    if is_day or (isinstance(value, str) and "T" not in value):
        return _day(value)
    return instant(value)


def partial_date(value: object) -> object:
    """A year, a month or a date, as text. Raises ``ValueError`` for anything else."""
    if not isinstance(value, str) or not _PARTIAL_DATE.fullmatch(value):
        raise ValueError(_PARTIAL_EXPECTED)
    _read_by(date.fromisoformat, value + "2000-01-01"[len(value) :], _PARTIAL_EXPECTED)
    return value


def _clock_time(value: object) -> object:
    if isinstance(value, time):
        return value
    if isinstance(value, str) and _CLOCK_TIME.fullmatch(value):
        return _read_by(time.fromisoformat, value, _CLOCK_EXPECTED)
    raise ValueError(_CLOCK_EXPECTED)


def _text(value: object) -> object:
    if not isinstance(value, str) or not value.strip():
        raise ValueError("text")
    return value


def _json_time(value: date | datetime | time) -> str:
    return value.isoformat()


_as_text = PlainSerializer(_json_time, return_type=str)


def _shape(schema: dict[str, Any]) -> WithJsonSchema:
    return WithJsonSchema(schema)


Text = Annotated[str, BeforeValidator(_text), Field(min_length=1)]
Code = Annotated[str, BeforeValidator(_text), Field(min_length=1, pattern=r"^[^\s]+(\s[^\s]+)*$")]
Flag = Annotated[bool, Field(strict=True)]
Count = Annotated[int, BeforeValidator(_whole_number), Field(ge=0)]
PositiveCount = Annotated[int, BeforeValidator(_whole_number), Field(ge=1)]
Number = Annotated[Decimal, BeforeValidator(_number), _shape({"type": "number"})]
Amount = Annotated[
    Decimal, BeforeValidator(_number), Field(ge=0), _shape({"type": "number", "minimum": 0})
]
Day = Annotated[date, BeforeValidator(_day), _as_text, _shape({"type": "string", "format": "date"})]
Instant = Annotated[
    datetime,
    BeforeValidator(instant),
    _as_text,
    _shape({"type": "string", "format": "date-time"}),
]
Moment = Annotated[
    date | datetime,
    BeforeValidator(_moment),
    _as_text,
    _shape(
        {"anyOf": [{"type": "string", "format": "date"}, {"type": "string", "format": "date-time"}]}
    ),
]
"""A calendar day, or an instant with its offset. The precision is kept."""
PartialDate = Annotated[
    str,
    BeforeValidator(partial_date),
    _shape({"type": "string", "pattern": r"^\d{4}(-\d{2}(-\d{2})?)?$"}),
]
ClockTime = Annotated[
    time,
    BeforeValidator(_clock_time),
    _as_text,
    _shape({"type": "string", "pattern": r"^\d{2}:\d{2}(:\d{2})?$"}),
]


class Identifier(Document):
    """A business identifier: whose number it is (``system``) and the number."""

    system: Text
    value: Text


class Coded(Document):
    """A concept as somebody else codes it; the text alone is enough."""

    text: Text
    system: Text | None = None
    code: Code | None = None


class Band(Document):
    """A range of numbers, both ends included; the unit is that of the field."""

    low: Number
    high: Number


class Ratio(Document):
    """In-breath to out-breath, for example 1 to 4."""

    breath_in: Amount
    breath_out: Amount
