"""Distinct documents of the invented clinic, as the text that the service stores."""

import json
import random
import uuid
from collections.abc import Iterator
from datetime import datetime, timedelta, timezone
from functools import cache

from service.clinic import clinic_module
from service.fhir.json import JsonObject, write
from service.mapping.feed_columns import load_column_maps
from service.mapping.feed_lines import lines_of
from service.mapping.feeds import CsvRows, JsonLines, rows_of
from service.mapping.logs import RegimenLink, session_to_observation
from service.mapping.programme import to_resources
from service.programme.log import Session
from service.programme.plan import Programme
from service.resources import mappings_dir

_FIRST = datetime(2024, 1, 1, tzinfo=timezone(timedelta(hours=1)))
_PLACE = uuid.UUID("7b0d8d54-98a4-4c1c-a7d4-5d1a4a2f9f31")


@cache
def _clinic():
    return clinic_module().invent()


def _id(*names: str) -> str:
    return str(uuid.uuid5(_PLACE, "/".join(names)))


@cache
def programme_resources() -> tuple[JsonObject, ...]:
    """Every resource of every plan that the clinic posts."""
    found = []
    for number, posting in enumerate(_clinic().programmes):
        programme = Programme.model_validate_json(json.dumps(posting.document))
        resources = to_resources(programme, ids=lambda key, number=number: _id(str(number), key))
        found.extend(resources.of_version())
    return tuple(found)


@cache
def session_observations() -> tuple[JsonObject, ...]:
    """An Observation for every session that the clinic's feeds hold."""
    found = []
    maps = load_column_maps(mappings_dir() / "feeds")
    for feed in _clinic().feeds:
        if "spoiled" in feed.name:
            continue
        reader = CsvRows(maps[feed.column_map]) if feed.column_map else JsonLines()
        found += (
            _observed(row.document, f"{feed.name}/{row.number}")
            for row in rows_of(reader, lines_of([feed.data]))
            if row.kind == "session" and row.is_readable
        )
    return tuple(found)


def many_sessions(count: int, *, children: int = 500) -> Iterator[JsonObject]:
    """Session Observations made after those of the clinic, each with an id and times of its own.

    Children take turns, two sessions a day each, from the first of 2024 on.
    """
    patterns, chance = session_observations(), random.Random(4)  # noqa: S311
    for number in range(count):
        yield _one_of_many(chance.choice(patterns), number, *divmod(number, children))


def _one_of_many(pattern: JsonObject, number: int, turn: int, child: int) -> JsonObject:
    day, half = divmod(turn, 2)
    start = _FIRST + timedelta(days=day, hours=8 + 10 * half, minutes=child % 50)
    return pattern | {
        "id": f"session-{number}",
        "identifier": [{"system": "https://clinic.example/log", "value": f"S-{number}"}],
        "subject": {"reference": f"Patient/child-{child}"},
        "effectivePeriod": {
            "start": start.isoformat(),
            "end": (start + timedelta(minutes=9)).isoformat(),
        },
    }


def _observed(document: JsonObject, name: str) -> JsonObject:
    session = Session.model_validate(document)
    child = _id("child", session.child.value)
    link = None
    if session.regimen:
        link = RegimenLink(f"ServiceRequest/{_id(child, session.regimen)}", f"plan-{child[:8]}")
    return session_to_observation(
        session, subject=f"Patient/{child}", regimen=link, id=_id("session", name)
    )


def texts(resources, resource_type: str, profile_code: str | None = None) -> list[bytes]:
    """The text of every resource of a type, with a category code where one is given."""
    return [
        write(resource)
        for resource in resources
        if resource["resourceType"] == resource_type
        and (
            profile_code is None
            or profile_code in json.dumps(resource.get("category"), default=str)
        )
    ]
