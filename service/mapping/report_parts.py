"""The pieces of which MeasureReports about adherence are made."""

from collections.abc import Iterator, Mapping
from datetime import date, datetime
from decimal import Decimal
from fractions import Fraction
from typing import Final, Protocol

from service.fhir.json import JsonObject
from service.mapping.canonical import BASE, code_system, extension_url
from service.programme.adherence import Ending, Figure, FigureName, RowCounts

MEASURE_VERSION = "0.1.0"
"""Version of the Measures in this package that a report follows."""

POPULATION: Final = "http://terminology.hl7.org/CodeSystem/measure-population"
_IMPROVEMENT = "http://terminology.hl7.org/CodeSystem/measure-improvement-notation"
_ABSENT = "http://hl7.org/fhir/StructureDefinition/data-absent-reason"
_METHOD = "Wilson, 95%"
_NOTE = "The sessions of one child are not independent; read the interval as a rough guide."
_DIGITS = Decimal("0.0001")

_ENDINGS: tuple[tuple[str, Ending], ...] = (
    ("matched", "matched"),
    ("extra", "extra"),
    ("over", "over"),
    ("not-done", "not-done"),
    ("duplicate", "duplicate"),
)
"""Population of a report and the rows it counts."""


class Counted(Protocol):
    """What was counted for one figure, of a child or of a group."""

    @property
    def numerator(self) -> Fraction: ...

    @property
    def denominator(self) -> int: ...

    @property
    def paused(self) -> int: ...


def report(
    name: FigureName,
    kind: str,
    first: date,
    last: date,
    computed_at: datetime,
) -> JsonObject:
    """What every report says of itself; ``kind`` is the type of R4 MeasureReport."""
    return {
        "resourceType": "MeasureReport",
        "status": "complete",
        "type": kind,
        "measure": f"{BASE}/Measure/airway-{name}|{MEASURE_VERSION}",
        "date": instant(computed_at),
        "period": days(first, last),
        "improvementNotation": concept(_IMPROVEMENT, "increase"),
    }


def populations(name: FigureName, figure: Counted) -> Iterator[JsonObject]:
    """Of a share denominator, exclusion and numerator; of the mean dose what was averaged."""
    everything = figure.denominator + figure.paused
    whole = "measure-population" if name == "dose" else "denominator"
    yield population(POPULATION, whole, everything)
    yield population(POPULATION, f"{whole}-exclusion", figure.paused)
    if name != "dose":
        yield population(POPULATION, "numerator", int(figure.numerator))


def row_populations(rows: RowCounts, endings: Mapping[Ending, int]) -> Iterator[JsonObject]:
    """The rows that came from home: what became of them, and that they add up."""
    system = code_system("airway-adherence-population")
    for code, ending in _ENDINGS:
        yield population(system, code, endings.get(ending, 0))
    for code in ("placed", "unplaced", "excluded", "received"):
        yield population(system, code, getattr(rows, code))


def population(system: str, code: str, count: int) -> JsonObject:
    """One population of a group, with its count."""
    return {"code": concept(system, code), "count": count}


def score_of(name: FigureName, figure: Figure) -> JsonObject:
    """The score of one child, with its interval unless it is an average; or that there is none."""
    ends = None if name == "dose" else (figure.low, figure.high)
    return measure_score(figure.score, ends, _METHOD, _NOTE)


def measure_score(
    value: float | None, ends: tuple[float | None, float | None] | None, method: str, note: str
) -> JsonObject:
    """A score from 0 to 1 with the ends of its interval, if it has any."""
    if value is None:
        return {"extension": [{"url": _ABSENT, "valueCode": "not-applicable"}]}
    score: JsonObject = {"value": decimal(value)}
    low, high = ends or (None, None)
    if low is None or high is None:
        return score
    interval = extension(
        "interval",
        {"url": "low", "valueDecimal": decimal(low)},
        {"url": "high", "valueDecimal": decimal(high)},
        {"url": "method", "valueString": method},
        {"url": "note", "valueString": note},
    )
    return {"extension": [interval], **score}


def extension(name: str, *parts: JsonObject) -> JsonObject:
    """One of our extensions that has parts."""
    return {"url": extension_url(name), "extension": list(parts)}


def concept(system: str, code: str) -> JsonObject:
    """A CodeableConcept of one coding."""
    return {"coding": [{"system": system, "code": code}]}


def days(first: date, last: date) -> JsonObject:
    """A Period of whole days, both included."""
    return {"start": first.isoformat(), "end": last.isoformat()}


def decimal(value: float) -> Decimal:
    """A number of a report: four digits after the point."""
    return Decimal(value).quantize(_DIGITS)


def instant(moment: datetime) -> str:
    return moment.isoformat(timespec="milliseconds")
