"""Many children's adherence as MeasureReports: a summary, or a list with a report for each child.

Numerator and denominator are sums over the children; the score is the mean of the children's
scores, and its interval says so (``service/programme/adherence/cohort.py``).
"""

from collections.abc import Iterable, Sequence
from uuid import NAMESPACE_URL, uuid5

from service.fhir.json import JsonObject
from service.mapping.canonical import BASE
from service.mapping.report_parts import (
    POPULATION,
    extension,
    instant,
    measure_score,
    population,
    populations,
    report,
    row_populations,
)
from service.mapping.reports import individual_report
from service.programme.adherence import Adherence, FigureName
from service.programme.adherence.cohort import METHOD, GroupAdherence, GroupFigure

_LIST = "children"


def summary(name: FigureName, group: GroupAdherence, subject: JsonObject | None) -> JsonObject:
    """One figure of a group; ``subject`` is a Reference to it, None for everybody.

    It names no child.
    """
    told = report(name, "summary", group.first, group.last, group.computed_at)
    told |= {"id": _uuid(name, "summary", group, subject)}
    told |= {"extension": [_computed_from(group), _coverage(group)]}
    told |= {"subject": subject} if subject is not None else {}
    return told | {"group": [_group(name, group)]}


def subject_list(
    name: FigureName,
    group: GroupAdherence,
    subject: JsonObject | None,
    children: Sequence[tuple[JsonObject, Adherence]],
) -> JsonObject:
    """The same with the report of each child, contained, behind a list of them.

    ``children``: a Reference to the child, and the child's answer.
    """
    told = summary(name, group, subject)
    told |= {"type": "subject-list", "id": _uuid(name, "subject-list", group, subject)}
    if not children:
        return told
    reports = [
        {**individual_report(name, answer, child), "id": f"child-{number}"}
        for number, (child, answer) in enumerate(children, start=1)
    ]
    told["group"][0]["population"][0]["subjectResults"] = {"reference": f"#{_LIST}"}
    return {**_heading(told), "contained": [_list_of(reports), *reports], **told}


def _heading(told: JsonObject) -> JsonObject:
    return {name: told[name] for name in ("resourceType", "id")}


def _list_of(reports: Iterable[JsonObject]) -> JsonObject:
    return {
        "resourceType": "List",
        "id": _LIST,
        "status": "current",
        "mode": "snapshot",
        "entry": [{"item": {"reference": f"#{one['id']}"}} for one in reports],
    }


def _group(name: FigureName, group: GroupAdherence) -> JsonObject:
    figure = group.figures[name]
    counted = [
        population(POPULATION, "initial-population", figure.children),
        *populations(name, figure),
    ]
    if name == "sessions":
        counted += row_populations(group.row_counts, group.endings)
    return {"population": counted, "measureScore": _score(figure)}


def _score(figure: GroupFigure) -> JsonObject:
    note = f"Of {figure.scored} children who have a score; counts beside it are sums."
    return measure_score(figure.score, (figure.low, figure.high), METHOD, note)


def _uuid(name: str, kind: str, group: GroupAdherence, subject: JsonObject | None) -> str:
    asked = (name, kind, subject, group.first, group.last, group.known_at, group.technique)
    return str(uuid5(NAMESPACE_URL, "|".join(map(str, (BASE, *asked)))))


def _computed_from(group: GroupAdherence) -> JsonObject:
    technique = group.technique
    return extension(
        "computed-from",
        {"url": "known-at", "valueDateTime": instant(group.known_at)},
        {"url": "rule-version", "valueString": group.rule_version},
        {"url": "zone-data", "valueString": group.zone_data},
        *([] if technique is None else [{"url": "technique", "valueCode": technique}]),
    )


def _coverage(group: GroupAdherence) -> JsonObject:
    return extension(
        "log-coverage",
        {"url": "observed-days", "valueUnsignedInt": group.observed_days},
        {"url": "unlogged-days", "valueUnsignedInt": group.unlogged_days},
    )
