"""Progress of a goal, asked of the record."""

from service.fhir.json import JsonObject, read
from service.mapping.errors import UnmappableError
from service.mapping.goals import goal_of
from service.mapping.references import target_of
from service.programme.goals import Progress, progress
from service.record.adherence import scope_of_patient
from service.record.changes import Actor
from service.record.cohorts import Asked, as_known
from service.record.errors import Invalid
from service.record.record import Record


def progress_of(record: Record, caller: Actor, goal_id: str, asked: Asked) -> Progress:
    """Week by week, by the goal's target as it was known then.

    Raises NotFound, Gone; Invalid for a goal of nobody's, or one whose target is not counted here.
    """
    record.read(caller, "Goal", goal_id)
    goal: JsonObject = read(as_known(record, caller, ("Goal", goal_id), asked.known_at).body)
    type_, _, patient_id = target_of(goal.get("subject", {})).partition("/")
    if type_ != "Patient":
        raise Invalid.at("Goal.subject", "This is no goal of a child.")
    try:
        document = goal_of(goal)
    except UnmappableError as error:
        raise Invalid.at("Goal", str(error)) from None
    answer = asked.of(record, caller, scope_of_patient(record, caller, patient_id))
    found = progress(document, answer)
    if found is None:
        told = "Only sessions in a week, and minutes of exercise in a week, are counted here."
        raise Invalid.at("Goal.target", told)
    return found
