"""Adherence as MeasureReports: one for each figure, with its counts, its splits, its grounds."""

from collections.abc import Iterable, Iterator, Mapping
from datetime import datetime
from decimal import Decimal
from uuid import NAMESPACE_URL, uuid5

from service.fhir.json import JsonObject
from service.mapping.canonical import BASE, code_system, extension_url
from service.programme.adherence import FIGURES, Adherence, Ending, Figure, FigureName
from service.programme.adherence.figures import SplitBy

MEASURE_VERSION = "0.1.0"
"""Version of the Measures in this package that a report follows."""

_POPULATION = "http://terminology.hl7.org/CodeSystem/measure-population"
_IMPROVEMENT = "http://terminology.hl7.org/CodeSystem/measure-improvement-notation"
_ABSENT = "http://hl7.org/fhir/StructureDefinition/data-absent-reason"
_METHOD = "Wilson, 95%"
_NOTE = "The sessions of one child are not independent; read the interval as a rough guide."
_DIGITS = Decimal("0.0001")

_ENDINGS: tuple[tuple[str, Ending], ...] = (
    ("extra", "extra"),
    ("over", "over"),
    ("unplaced", "doubtful"),
    ("not-done", "not-done"),
    ("duplicate", "duplicate"),
    ("excluded", "excluded"),
)
"""Population of a report and the rows it counts; a doubtful clock leaves a row unplaced."""

_SPLITS: Mapping[SplitBy, tuple[str, str]] = {
    "source": ("source", "airway-recording"),
    "technique": ("technique", "airway-technique"),
    "state": ("health-state", "airway-health-state"),
}
"""Split -> code of the stratifier, code system of its strata."""


def measure_reports(adherence: Adherence, subject: JsonObject) -> list[JsonObject]:
    """A report for each figure about ``subject`` (a Reference to the child).

    The ids are worked out from child, figure, days and knowledge date: the same question gets the
    same report.
    """
    return [_report(name, adherence, subject) for name in FIGURES]


def report_bundle(adherence: Adherence, subject: JsonObject) -> JsonObject:
    """The reports as a collection; what could not be read of the child's is listed at its end."""
    resources = measure_reports(adherence, subject)
    entries = [{"fullUrl": f"urn:uuid:{one['id']}", "resource": one} for one in resources]
    if adherence.left_out:
        name = _uuid("left-out", adherence, subject)
        entries.append({"fullUrl": f"urn:uuid:{name}", "resource": _left_out(name, adherence)})
    return {
        "resourceType": "Bundle",
        "type": "collection",
        "timestamp": _instant(adherence.computed_at),
        "entry": entries,
    }


def _report(name: FigureName, adherence: Adherence, subject: JsonObject) -> JsonObject:
    report: JsonObject = {
        "resourceType": "MeasureReport",
        "id": _uuid(name, adherence, subject),
        "extension": [_computed_from(adherence), _coverage(adherence), *_bases(name, adherence)],
        "status": "complete",
        "type": "individual",
        "measure": f"{BASE}/Measure/airway-{name}|{MEASURE_VERSION}",
        "subject": subject,
        "date": _instant(adherence.computed_at),
        "period": {"start": adherence.first.isoformat(), "end": adherence.last.isoformat()},
        "improvementNotation": _concept(_IMPROVEMENT, "increase"),
        "group": [_group(name, adherence)],
    }
    counted = [{"reference": reference} for reference in _counted(adherence)]
    return report | ({"evaluatedResource": counted} if counted else {})


def _uuid(name: str, adherence: Adherence, subject: JsonObject) -> str:
    asked = (name, subject["reference"], adherence.first, adherence.last, adherence.known_at)
    return str(uuid5(NAMESPACE_URL, "|".join(map(str, (BASE, *asked)))))


def _group(name: FigureName, adherence: Adherence) -> JsonObject:
    figure = adherence.figures[name]
    populations = list(_populations(name, figure))
    if name == "sessions":
        endings, system = adherence.endings, code_system("airway-adherence-population")
        populations += [_population(system, code, endings[ending]) for code, ending in _ENDINGS]
    group: JsonObject = {"population": populations, "measureScore": _score(name, figure)}
    strata = [
        {"code": [_concept(code_system("airway-adherence-split"), code)], "stratum": parts}
        for by, (code, system) in _SPLITS.items()
        if (parts := list(_strata(name, adherence.splits[by], system)))
    ]
    return group | {"stratifier": strata}


def _strata(
    name: FigureName, parts: Mapping[str, Mapping[FigureName, Figure]], system: str
) -> Iterator[JsonObject]:
    for code, figures in parts.items():
        yield {
            "value": _concept(code_system(system), code),
            "population": list(_populations(name, figures[name])),
            "measureScore": _score(name, figures[name]),
        }


def _populations(name: FigureName, figure: Figure) -> Iterator[JsonObject]:
    """Of a share denominator, exclusion and numerator; of the mean dose what was averaged."""
    everything = figure.denominator + figure.paused
    whole = "measure-population" if name == "dose" else "denominator"
    yield _population(_POPULATION, whole, everything)
    yield _population(_POPULATION, f"{whole}-exclusion", figure.paused)
    if name != "dose":
        yield _population(_POPULATION, "numerator", int(figure.numerator))


def _population(system: str, code: str, count: int) -> JsonObject:
    return {"code": _concept(system, code), "count": count}


def _score(name: FigureName, figure: Figure) -> JsonObject:
    if figure.score is None:
        return {"extension": [{"url": _ABSENT, "valueCode": "not-applicable"}]}
    score: JsonObject = {"value": _decimal(figure.score)}
    if name == "dose" or figure.low is None or figure.high is None:
        return score
    interval = _complex(
        "interval",
        {"url": "low", "valueDecimal": _decimal(figure.low)},
        {"url": "high", "valueDecimal": _decimal(figure.high)},
        {"url": "method", "valueString": _METHOD},
        {"url": "note", "valueString": _NOTE},
    )
    return {"extension": [interval], **score}


def _computed_from(adherence: Adherence) -> JsonObject:
    plans = dict.fromkeys(f"CarePlan/{one.id}/_history/{one.version}" for one in adherence.plans)
    return _complex(
        "computed-from",
        {"url": "known-at", "valueDateTime": _instant(adherence.known_at)},
        {"url": "rule-version", "valueString": adherence.rule_version},
        {"url": "zone-data", "valueString": adherence.zone_data},
        *({"url": "plan", "valueReference": {"reference": plan}} for plan in plans),
    )


def _coverage(adherence: Adherence) -> JsonObject:
    spells = (
        {"start": spell.first.isoformat(), "end": spell.last.isoformat()}
        for spell in adherence.silent_spells
    )
    return _complex(
        "log-coverage",
        {"url": "observed-days", "valueUnsignedInt": adherence.observed_days},
        {"url": "unlogged-days", "valueUnsignedInt": adherence.unlogged_days},
        *({"url": "silent-spell", "valuePeriod": spell} for spell in spells),
    )


def _bases(name: FigureName, adherence: Adherence) -> Iterator[JsonObject]:
    if name == "dose":
        for basis in sorted({row.basis for row in adherence.ledger if row.share is not None}):
            yield {"url": extension_url("dose-basis"), "valueCode": basis}


def _counted(adherence: Adherence) -> Iterable[str]:
    """The sessions that a figure credits, each as the version that was read."""
    return (
        f"Observation/{row.credit.id}/_history/{row.credit.version}"
        for row in adherence.ledger
        if row.credit is not None
    )


def _left_out(id_: str, adherence: Adherence) -> JsonObject:
    issues = [
        {
            "severity": "warning",
            "code": "incomplete",
            "diagnostics": f"{one.id}/_history/{one.version} was left out: {one.reason}",
        }
        for one in adherence.left_out
    ]
    return {"resourceType": "OperationOutcome", "id": id_, "issue": issues}


def _complex(name: str, *parts: JsonObject) -> JsonObject:
    return {"url": extension_url(name), "extension": list(parts)}


def _concept(system: str, code: str) -> JsonObject:
    return {"coding": [{"system": system, "code": code}]}


def _decimal(value: float) -> Decimal:
    return Decimal(value).quantize(_DIGITS)


def _instant(instant: datetime) -> str:
    return instant.isoformat(timespec="milliseconds")
