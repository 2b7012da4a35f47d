"""One child's adherence as MeasureReports, one a figure: counts, splits, what it rests on."""

from collections.abc import Iterable, Iterator, Mapping
from datetime import datetime
from uuid import NAMESPACE_URL, uuid5

from service.fhir.json import JsonObject
from service.mapping.canonical import BASE, code_system, extension_url
from service.mapping.report_course import clock_doubts, plan_changes, trends, weekly
from service.mapping.report_parts import (
    concept,
    extension,
    instant,
    populations,
    report,
    row_populations,
    score_of,
)
from service.programme.adherence import FIGURES, Adherence, Figure, FigureName, Known, LeftOut
from service.programme.adherence.figures import SplitBy
from service.programme.adherence.series import weeks
from service.programme.log import Session

_SPLITS: Mapping[SplitBy, tuple[str, str]] = {
    "source": ("source", "airway-recording"),
    "technique": ("technique", "airway-technique"),
    "state": ("health-state", "airway-health-state"),
}
"""Split -> code of the stratifier, code system of its strata."""


def report_bundle(adherence: Adherence, subject: JsonObject) -> JsonObject:
    """A report for each figure about ``subject`` (a Reference to the child), as a collection.

    What could not be read of the child's is listed at its end.
    """
    resources = [individual_report(name, adherence, subject) for name in FIGURES]
    if adherence.left_out:
        id_ = _uuid("left-out", adherence, subject)
        resources.append({"resourceType": "OperationOutcome", "id": id_, **left_out(adherence)})
    return collection(resources, adherence.computed_at)


def collection(resources: Iterable[JsonObject], computed_at: datetime) -> JsonObject:
    """A Bundle of resources that are stored nowhere."""
    return {
        "resourceType": "Bundle",
        "type": "collection",
        "timestamp": instant(computed_at),
        "entry": [{"fullUrl": f"urn:uuid:{one['id']}", "resource": one} for one in resources],
    }


def individual_report(
    name: FigureName,
    adherence: Adherence,
    subject: JsonObject,
    *,
    received_since: datetime | None = None,
) -> JsonObject:
    """One figure of one child.

    The id is worked out from child, figure, days and knowledge date: the same question gets the
    same report. With ``received_since`` only sessions that became known after it are listed as
    evaluated; the figures are of all.
    """
    told = report(name, "individual", adherence.first, adherence.last, adherence.computed_at)
    told |= {
        "id": _uuid(name, adherence, subject),
        "extension": [_computed_from(adherence), _coverage(adherence), *_more(name, adherence)],
        "subject": subject,
        "group": [_group(name, adherence)],
    }
    counted = [
        {"reference": f"Observation/{session.id}/_history/{session.version}"}
        for session in _counted(adherence)
        if received_since is None or session.known_at > received_since
    ]
    return told | ({"evaluatedResource": counted} if counted else {})


def single_report(
    name: FigureName,
    adherence: Adherence,
    subject: JsonObject,
    *,
    received_since: datetime | None = None,
) -> JsonObject:
    """The same where it stands alone: it contains the outcome of what could not be read."""
    told = individual_report(name, adherence, subject, received_since=received_since)
    if not adherence.left_out:
        return told
    outcome = {"resourceType": "OperationOutcome", "id": "left-out", **left_out(adherence)}
    evaluated = [*told.get("evaluatedResource", []), {"reference": "#left-out"}]
    return told | {"contained": [outcome], "evaluatedResource": evaluated}


def left_out(adherence: Adherence) -> JsonObject:
    """What could not be read of the child's, as issues of an OperationOutcome."""
    return {"issue": [_left_out(one) for one in adherence.left_out]}


def _left_out(one: LeftOut) -> JsonObject:
    return {
        "severity": "warning",
        "code": "incomplete",
        "diagnostics": f"{one.id}/_history/{one.version} was left out: {one.reason}",
    }


def _uuid(name: str, adherence: Adherence, subject: JsonObject) -> str:
    asked: tuple[object, ...] = (
        name, subject["reference"], adherence.first, adherence.last, adherence.known_at,
    )  # fmt: skip
    if adherence.technique is not None:
        asked = (*asked, adherence.technique)
    return str(uuid5(NAMESPACE_URL, "|".join(map(str, (BASE, *asked)))))


def _group(name: FigureName, adherence: Adherence) -> JsonObject:
    figure = adherence.figures[name]
    strata = [
        {"code": [concept(code_system("airway-adherence-split"), code)], "stratum": parts}
        for by, (code, system) in _SPLITS.items()
        if (parts := list(_strata(name, adherence.splits[by], system)))
    ]
    group: JsonObject = {
        "population": list(populations(name, figure)),
        "measureScore": score_of(name, figure),
        "stratifier": strata,
    }
    if name == "sessions":
        group["population"] += row_populations(adherence.row_counts, adherence.endings)
        by_week = weeks(adherence)
        strata.append(weekly(by_week))
        if found := trends(by_week):
            group = {"extension": found, **group}
    return group


def _strata(
    name: FigureName, parts: Mapping[str, Mapping[FigureName, Figure]], system: str
) -> Iterator[JsonObject]:
    for code, figures in parts.items():
        yield {
            "value": concept(code_system(system), code),
            "population": list(populations(name, figures[name])),
            "measureScore": score_of(name, figures[name]),
        }


def _computed_from(adherence: Adherence) -> JsonObject:
    plans = dict.fromkeys(f"CarePlan/{one.id}/_history/{one.version}" for one in adherence.plans)
    ranged = any(row.most is not None for row in adherence.ledger)
    technique = adherence.technique
    return extension(
        "computed-from",
        {"url": "known-at", "valueDateTime": instant(adherence.known_at)},
        {"url": "rule-version", "valueString": adherence.rule_version},
        {"url": "zone-data", "valueString": adherence.zone_data},
        *({"url": "plan", "valueReference": {"reference": plan}} for plan in plans),
        *([] if technique is None else [{"url": "technique", "valueCode": technique}]),
        *([{"url": "bound", "valueCode": "low"}] if ranged else []),
    )


def _coverage(adherence: Adherence) -> JsonObject:
    spells = (
        {"start": spell.first.isoformat(), "end": spell.last.isoformat()}
        for spell in adherence.silent_spells
    )
    return extension(
        "log-coverage",
        {"url": "observed-days", "valueUnsignedInt": adherence.observed_days},
        {"url": "unlogged-days", "valueUnsignedInt": adherence.unlogged_days},
        *({"url": "silent-spell", "valuePeriod": spell} for spell in spells),
    )


def _more(name: FigureName, adherence: Adherence) -> Iterator[JsonObject]:
    """What a single figure says beside its counts."""
    if name == "dose":
        for basis in sorted({row.basis for row in adherence.ledger if row.share is not None}):
            yield {"url": extension_url("dose-basis"), "valueCode": basis}
    if name == "sessions":
        yield from plan_changes(adherence)
        yield from clock_doubts(adherence)


def _counted(adherence: Adherence) -> Iterable[Known[Session]]:
    """The sessions that a figure credits, each as the version that was read."""
    return (row.credit for row in adherence.ledger if row.credit is not None)
