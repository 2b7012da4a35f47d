"""A goal out of its resource, and its progress as Parameters.

Nothing is written: ``Goal.achievementStatus`` and ``Goal.outcomeReference`` are the clinician's.
"""

from service.fhir.json import JsonObject
from service.mapping.converters import Context
from service.mapping.documents import built
from service.mapping.errors import UnmappableError
from service.mapping.interpretable import why_not_interpretable
from service.mapping.report_parts import days, decimal
from service.mapping.tables import tables
from service.programme.goals import GoalWeek, Progress
from service.programme.plan import Goal

_NOTE = (
    "Counted from what was logged; a week without any log is not a week without sessions. Whether "
    "the goal is achieved is for the clinician and the family to say."
)


def goal_of(resource: JsonObject) -> Goal:
    """The document of a goal. Raises UnmappableError for one that is no goal of a programme."""
    if reason := why_not_interpretable(resource):
        raise UnmappableError("Goal", reason)
    return built(Goal, tables()["goal"].read(resource, Context()))


def progress_parameters(goal: str, progress: Progress) -> JsonObject:
    """``goal`` is ``Goal/id``."""
    target = {"value": progress.target, "unit": progress.unit}
    return {
        "resourceType": "Parameters",
        "parameter": [
            {"name": "goal", "valueReference": {"reference": goal}},
            {"name": "measure", "valueCode": progress.measure},
            {"name": "target", "valueQuantity": target},
            {"name": "reachedWeeks", "valueUnsignedInt": progress.reached},
            {"name": "judgedWeeks", "valueUnsignedInt": progress.judged},
            *map(_week, progress.weeks),
            {"name": "note", "valueString": _NOTE},
        ],
    }


def _week(week: GoalWeek) -> JsonObject:
    return {
        "name": "week",
        "part": [
            {"name": "period", "valuePeriod": days(week.first, week.last)},
            {"name": "done", "valueDecimal": decimal(float(week.done))},
            {"name": "standing", "valueCode": week.standing},
            {"name": "unmeasured", "valueUnsignedInt": week.unmeasured},
        ],
    }
