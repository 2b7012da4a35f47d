"""Column maps: which column of somebody's table is which field of a session, and in what form.

A map is a JSON file in ``mappings/feeds``. Its converters are the short list in ``_CONVERTERS``; a
new form of writing things down is a new converter, a new sender is a new file.
"""

import re
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime, timedelta, tzinfo
from decimal import Decimal
from pathlib import Path
from typing import Literal

from pydantic import BaseModel, ConfigDict, Field, StrictBool, StrictStr, model_validator

from service.fhir.outcome import Finding, shown
from service.programme.zones import zone_names

ConverterName = Literal[
    "text",
    "identifier",
    "code",
    "whole-number",
    "number",
    "local-time",
    "clock-time-after-start",
    "seconds-after-start",
]
Value = str | bool | int | Decimal | dict[str, str] | datetime


class _Declared(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class ColumnRow(_Declared):
    """One row of a column map: a field of the session document and where it comes from.

    ``field`` is a path such as ``sputum.colour``. ``codes`` says what a cell's word stands for (its
    case does not matter); ``system`` whose number an identifier is; ``pattern`` how a time is
    written (``strptime``); ``multiply``, ``divide`` and ``decimals`` turn the sender's unit into
    that of the field.
    """

    field: str
    columns: tuple[str, ...] = Field(min_length=1)
    converter: ConverterName
    required: bool = False
    codes: dict[str, StrictBool | StrictStr] = {}
    system: str | None = None
    pattern: str | None = None
    multiply: Decimal = Decimal(1)
    divide: Decimal = Decimal(1)
    decimals: int | None = None

    @model_validator(mode="after")
    def _has_what_its_converter_needs(self) -> "ColumnRow":
        needs = {
            "identifier": self.system,
            "code": self.codes,
            "local-time": self.pattern,
            "clock-time-after-start": self.pattern,
        }
        if not needs.get(self.converter, True):
            raise ValueError(f"{self.field}: the converter {self.converter} needs one thing more")
        if any(word != word.lower() for word in self.codes):
            raise ValueError(f"{self.field}: words in codes are written in small letters")
        return self


class ColumnMap(_Declared):
    """How one sender writes its table. ``fixed`` goes into every document as it is.

    ``zone`` is the IANA zone of local times, unless an upload names another.
    """

    name: str
    title: str
    delimiter: str = Field(min_length=1, max_length=1)
    decimal: Literal[".", ","]
    zone: str
    fixed: dict[str, str]
    fields: tuple[ColumnRow, ...]

    @model_validator(mode="after")
    def _start_comes_before_what_is_counted_from_it(self) -> "ColumnMap":
        if self.zone not in zone_names():
            raise ValueError(f"{self.name}: {self.zone} is no IANA zone")
        names = [row.field for row in self.fields]
        counted = [at for at, row in enumerate(self.fields) if "after-start" in row.converter]
        if counted and ("start" not in names or names.index("start") > counted[0]):
            raise ValueError("start must come before the fields that are counted from it")
        return self

    @property
    def columns(self) -> frozenset[str]:
        """Every column that some row reads."""
        return frozenset(column for row in self.fields for column in row.columns)


def load_column_maps(folder: Path) -> dict[str, ColumnMap]:
    """The column maps in ``folder`` by name, which is that of the file.

    Raises ``pydantic.ValidationError`` for a map that says what no converter understands.
    """
    maps = {
        path.stem: ColumnMap.model_validate_json(path.read_bytes())
        for path in sorted(folder.glob("*.json"))
    }
    for stem, column_map in maps.items():
        if column_map.name != stem:
            raise ValueError(f"{stem}.json calls itself {column_map.name}")
    return maps


@dataclass(frozen=True, slots=True)
class Reading:
    """A row of cells being turned into a document."""

    column_map: ColumnMap
    zone: tzinfo
    start: datetime | None = None


class CellError(ValueError):
    """What a cell should have held."""


def convert(row: ColumnRow, cells: list[str], reading: Reading) -> Value | None:
    """The value of one field; None when its cells are empty. Raises ``CellError``."""
    if not all(cells):
        if row.required or any(cells):
            raise CellError("a value is expected")
        return None
    try:
        return _CONVERTERS[row.converter](row, " ".join(cells), reading)
    except (OverflowError, OSError):
        raise CellError("a date of our time is expected") from None


def cell_finding(row: ColumnRow, cells: list[str], error: CellError) -> Finding:
    """What is wrong with the cells of one field."""
    columns = ", ".join(row.columns)
    found = shown(" ".join(cells)) if any(cells) else "nothing"
    code = "value" if any(cells) else "required"
    return Finding("error", code, f"Session.{row.field}", f"{columns}: {error}, found {found}")


def twice(row: ColumnRow, value: Value | None) -> Finding | None:
    """A warning when ``value`` was read from a local time that came twice, as clocks went back."""
    if row.converter != "local-time" or not isinstance(value, datetime):
        return None
    if value.utcoffset() == value.replace(fold=1).utcoffset():
        return None
    return Finding(
        "warning",
        "value",
        f"Session.{row.field}",
        f"{value:%Y-%m-%d %H:%M} came twice in {value.tzinfo} as the clocks went back; "
        "the first was taken",
    )


def _text(_row: ColumnRow, cell: str, _reading: Reading) -> str:
    return cell


def _identifier(row: ColumnRow, cell: str, _reading: Reading) -> dict[str, str]:
    return {"system": row.system or "", "value": cell}


def _code(row: ColumnRow, cell: str, _reading: Reading) -> str | bool:
    if cell.lower() not in row.codes:
        raise CellError(f"one of {', '.join(row.codes)} is expected")
    return row.codes[cell.lower()]


def _whole_number(_row: ColumnRow, cell: str, _reading: Reading) -> int:
    if not re.fullmatch(r"-?\d{1,9}", cell, re.ASCII):
        raise CellError("a whole number is expected")
    return int(cell)


def _number(row: ColumnRow, cell: str, reading: Reading) -> Decimal:
    mark = reading.column_map.decimal
    if not re.fullmatch(rf"-?\d{{1,9}}({re.escape(mark)}\d{{1,9}})?", cell, re.ASCII):
        raise CellError(f"a number such as 12{mark}5 is expected")
    number = Decimal(cell.replace(mark, ".")) * row.multiply / row.divide
    return number if row.decimals is None else round(number, row.decimals)


def _local_time(row: ColumnRow, cell: str, reading: Reading) -> datetime:
    pattern = row.pattern or ""
    try:
        local = datetime.strptime(cell, pattern).replace(tzinfo=reading.zone)
        elsewhere = datetime.fromtimestamp(local.timestamp(), reading.zone)
    except ValueError:
        example = datetime(2031, 12, 25, 7, 30, tzinfo=reading.zone).strftime(pattern)
        raise CellError(f"a date and time such as {example} is expected") from None
    if elsewhere.replace(tzinfo=None) != local.replace(tzinfo=None):
        raise CellError(f"a time that exists is expected (clocks went forward in {reading.zone})")
    return local


def _clock_time_after_start(row: ColumnRow, cell: str, reading: Reading) -> datetime | None:
    if reading.start is None:
        return None
    day = reading.start.date()
    reads = row.model_copy(update={"pattern": f"%Y-%m-%d {row.pattern}"})
    end = _local_time(reads, f"{day} {cell}", reading)
    if end.replace(tzinfo=None) >= reading.start.replace(tzinfo=None):
        return end
    second_time = end.replace(fold=1)  # the clocks may have gone back between start and end
    if second_time.timestamp() >= reading.start.timestamp():
        return second_time
    return _local_time(reads, f"{day + timedelta(days=1)} {cell}", reading)


def _seconds_after_start(row: ColumnRow, cell: str, reading: Reading) -> datetime | None:
    seconds = _whole_number(row, cell, reading)
    if reading.start is None:
        return None
    try:
        return datetime.fromtimestamp(reading.start.timestamp() + seconds, reading.zone)
    except ValueError:
        raise CellError("seconds that end in our time are expected") from None


_CONVERTERS: dict[ConverterName, Callable[[ColumnRow, str, Reading], Value | None]] = {
    "text": _text,
    "identifier": _identifier,
    "code": _code,
    "whole-number": _whole_number,
    "number": _number,
    "local-time": _local_time,
    "clock-time-after-start": _clock_time_after_start,
    "seconds-after-start": _seconds_after_start,
}
