"""The programme as a whole: dates, zones, holds, devices, goals, overrides."""

from collections.abc import Iterator

from service.programme.catalogue import DEVICE_KINDS, GOAL_MEASURES
from service.programme.checks.limits import impossible_values
from service.programme.checks.people import people_problems
from service.programme.checks.problems import Problem, refused
from service.programme.checks.regimens import duplicate_keys, regimen_problems
from service.programme.checks.screen import screen_problems
from service.programme.checks.timing import end_before_start, schedule_problems
from service.programme.checks.view import View
from service.programme.precautions import ANSWERABLE
from service.programme.zones import zone_names


def plan_problems(programme: View) -> Iterator[Problem]:
    """Everything that is wrong with a programme apart from its shape and the cautions."""
    yield from course_problems(programme)
    yield from people_problems(programme)
    yield from regimen_problems(programme)
    yield from _devices(programme.parts("device"))
    yield from _goals(programme.parts("goal"))
    yield from screen_problems(programme.part("screen"))
    yield from _overrides(programme)


def course_problems(programme: View) -> Iterator[Problem]:
    """Of what ``plan_problems`` finds only what is wrong with values, days and schedules."""
    yield from impossible_values(programme)
    for holder in (programme, *programme.parts("hold")):
        yield from end_before_start(holder)
    yield from _zones(programme.parts("timeZone"))
    cared_for = [task for device in programme.parts("device") for task in device.parts("care")]
    for holder in (*programme.parts("regimen"), *cared_for):
        yield from schedule_problems(holder.part("schedule"))


def _zones(entries: list[View]) -> Iterator[Problem]:
    latest = None
    for position, entry in enumerate(entries):
        name, since = entry.value("zone"), entry.value("since")
        if name is not None and name not in zone_names():
            expected = "a name of the IANA time zone list, such as Europe/Paris"
            yield refused(entry.at("zone"), "unknown-zone", name, expected)
        if (position == 0) == entry.has("since"):
            expected = "since when, for each zone but the first"
            yield refused(entry.at("since"), "zone-order", entry.raw.get("since"), expected)
        elif since is not None and latest is not None and since <= latest:
            expected = "later than the zone before"
            yield refused(entry.at("since"), "zone-order", entry.raw["since"], expected)
        latest = since or latest


def _devices(devices: list[View]) -> Iterator[Problem]:
    yield from duplicate_keys(devices)
    for device in devices:
        kind = device.value("kind")
        if kind is not None and kind not in DEVICE_KINDS:
            expected = f"one of {', '.join(DEVICE_KINDS)}"
            yield refused(device.at("kind"), "unknown-device-kind", kind, expected)


def _goals(goals: list[View]) -> Iterator[Problem]:
    yield from duplicate_keys(goals)
    for goal in goals:
        target = goal.part("target")
        measure = target.value("measure")
        if measure is not None and measure not in GOAL_MEASURES:
            expected = f"one of {', '.join(GOAL_MEASURES)}"
            yield refused(target.at("measure"), "unknown-goal-measure", measure, expected)


def _overrides(programme: View) -> Iterator[Problem]:
    keys = {regimen.value("key") for regimen in programme.parts("regimen")}
    for override in programme.parts("override"):
        caution, regimen = override.value("caution"), override.value("regimen")
        if caution is not None and caution not in ANSWERABLE:
            expected = f"one of {', '.join(ANSWERABLE)}"
            yield refused(override.at("caution"), "unknown-override", caution, expected)
        if regimen is not None and regimen not in keys:
            expected = "the key of a regimen"
            yield refused(override.at("regimen"), "unknown-override", regimen, expected)
