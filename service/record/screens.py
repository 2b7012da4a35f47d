"""Which answers to the safety screen count for a child."""

from collections.abc import Iterable

from service.fhir.json import JsonObject
from service.mapping.references import reference_of
from service.mapping.screens import answers_of
from service.programme.moments import is_before
from service.programme.plan import Screen


def screens_that_count(
    responses: Iterable[JsonObject], named: str | None = None
) -> tuple[Screen, ...]:
    """The latest of a child's ``responses``, and the one ``named`` (``Type/id``), where it is.

    More than one where nobody can tell which is later. What is not completed does not count.
    """
    told = {
        reference_of(response): screen
        for response in responses
        if (screen := answers_of(response)) is not None
    }
    latest = [name for name, one in told.items() if not any(_later(x, one) for x in told.values())]
    wanted = dict.fromkeys([*latest, named or ""])
    return tuple(told[name] for name in wanted if name in told)


def _later(one: Screen, other: Screen) -> bool:
    return one.date is not None and other.date is not None and is_before(other.date, one.date)
