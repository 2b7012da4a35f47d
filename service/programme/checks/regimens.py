"""Regimens: what each one must say, and what several of them must not say at once."""

from collections.abc import Iterator
from itertools import combinations
from typing import Any

from service.programme.catalogue import TECHNIQUES
from service.programme.checks.dosing import dose_problems, unknown_position
from service.programme.checks.problems import Problem, refused
from service.programme.checks.view import View
from service.programme.moments import is_before


def regimen_problems(programme: View) -> Iterator[Problem]:
    """Everything that is wrong with the regimens, one by one and together."""
    regimens, devices = programme.parts("regimen"), programme.parts("device")
    for regimen in regimens:
        yield from _one(regimen, devices)
    yield from duplicate_keys(regimens)
    yield from _two_doses(regimens)


def duplicate_keys(entries: list[View]) -> Iterator[Problem]:
    """For anything with a ``key``: the second and later of the same key."""
    seen: set[str] = set()
    for entry in entries:
        key = entry.value("key")
        if key in seen:
            yield refused(entry.at("key"), "duplicate-key", key, "a key of its own")
        if key is not None:
            seen.add(key)


def _one(regimen: View, devices: list[View]) -> Iterator[Problem]:
    code = regimen.value("technique")
    if code is not None and code not in TECHNIQUES:
        expected = f"one of {', '.join(TECHNIQUES)}"
        yield refused(regimen.at("technique"), "unknown-technique", code, expected)
    yield from _unwell_rule(regimen)
    wanted = regimen.value("device")
    device = next((entry for entry in devices if entry.value("key") == wanted), None)
    if wanted is not None and device is None:
        keys = ", ".join(filter(None, (entry.value("key") for entry in devices)))
        expected = f"the key of a device: {keys or 'there is none'}"
        yield refused(regimen.at("device"), "unknown-device", wanted, expected)
    if regimen.part("dose").present or not regimen.has("dose"):
        yield from dose_problems(regimen.part("dose"), TECHNIQUES.get(code), device)
    yield from _positions(regimen.parts("position"))


def _unwell_rule(regimen: View) -> Iterator[Problem]:
    state = regimen.value("healthState")
    if state == "unwell" and not regimen.has("unwellRule"):
        expected = "replaces or adds"
        yield refused(regimen.at("unwellRule"), "unwell-rule", None, expected)
    if state in ("well", "any") and regimen.has("unwellRule"):
        found, expected = regimen.raw["unwellRule"], "no rule, or healthState unwell"
        yield refused(regimen.at("unwellRule"), "unwell-rule", found, expected)


def _positions(positions: list[View]) -> Iterator[Problem]:
    seen: set[str] = set()
    for advice in positions:
        yield from unknown_position(advice)
        position = advice.value("position")
        if position in seen:
            yield refused(advice.at("position"), "position-twice", position, "each position once")
        if position is not None:
            seen.add(position)


def _two_doses(regimens: list[View]) -> Iterator[Problem]:
    """Two answers to "how much of this technique now" leave the family to choose.

    Regimens of one technique may stand side by side when something tells them apart: the state
    of health, weekday, clock time, dates, place, being as needed, or being named alternatives of
    one another.
    """
    for first, second in combinations(regimens, 2):
        if _same_question(first, second):
            found = second.value("technique")
            expected = f"another state, time or place than regimen {first.value('key')}"
            yield refused(second.path, "two-doses", found, expected)


def _same_question(first: View, second: View) -> bool:
    technique = first.value("technique")
    if technique is None or technique != second.value("technique"):
        return False
    states = {first.value("healthState"), second.value("healthState")}
    if None in states or states == {"well", "unwell"} or states == {"any", "unwell"}:
        return False
    if first.value("oneOf") is not None and first.value("oneOf") == second.value("oneOf"):
        return False
    if bool(first.value("asNeeded")) != bool(second.value("asNeeded")):
        return False
    if _apart(first.value("place"), second.value("place")):
        return False
    return _share_a_slot(first.part("schedule"), second.part("schedule"))


def _share_a_slot(first: View, second: View) -> bool:
    if _apart(first.value("dayOfWeek"), second.value("dayOfWeek")):
        return False
    if _dates_apart(first.part("bounds"), second.part("bounds")):
        return False
    times = [_times(schedule) for schedule in (first, second)]
    return not any(times) or bool(times[0] & times[1])


def _times(schedule: View) -> set[Any]:
    return {*(schedule.value("timeOfDay") or ()), *(schedule.value("when") or ()),
            *(schedule.value("event") or ())}  # fmt: skip


def _apart(first: tuple[str, ...] | None, second: tuple[str, ...] | None) -> bool:
    return bool(first and second) and not set(first or ()) & set(second or ())


def _dates_apart(first: View, second: View) -> bool:
    for one, other in ((first, second), (second, first)):
        end, start = one.value("end"), other.value("start")
        if end is not None and start is not None and is_before(end, start):
            return True
    return False
