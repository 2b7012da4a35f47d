"""Cautions: what a clinician may prescribe after all, with a name and a reason.

The service does not know whether a child's airways are irritable. It takes that from the coded
diagnoses, in the document or already in the record, that the clinic lists in its policy; the
words of a diagnosis and of notes are never searched, because a word is no finding.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from service.programme.base import Coded
from service.programme.catalogue import MASK_DEVICES, TECHNIQUES, Technique
from service.programme.checks.policy import KnownChild, Policy
from service.programme.checks.problems import Problem
from service.programme.checks.view import View
from service.programme.moments import age_in_years, day_of, latest


@dataclass(frozen=True, slots=True)
class Raised:
    """A caution and the key of the regimen that raises it."""

    problem: Problem
    regimen: str | None


def cautions(programme: View, policy: Policy, known: KnownChild) -> Iterator[Raised]:
    """Every caution of the policy that the programme raises."""
    age = youngest_age(programme, known)
    irritable = bool(diagnoses(programme, known) & policy.irritable_airways)
    for regimen in programme.parts("regimen"):
        technique = TECHNIQUES.get(regimen.value("technique"))
        if technique is None:
            continue
        found = [
            *_mouthpiece_age(regimen, technique, programme, policy, age),
            *_oscillation(regimen, technique, irritable),
            *_positions(regimen, _by_mouth(regimen, technique, programme)),
            *_pressures(regimen, technique, policy),
        ]
        for problem in found:
            if problem.key in policy.cautions:
                yield Raised(problem, regimen.value("key"))


def _caution(path: str, key: str, found: Any, expected: str) -> Problem:
    return Problem(path, "caution", key, found, expected)


def youngest_age(programme: View, known: KnownChild) -> int | None:
    """Age in years when the programme starts; the youngest that a partial birth date allows."""
    birth = programme.part("child").value("birthDate") or known.birth_date
    start = programme.value("start")
    return None if birth is None or start is None else age_in_years(latest(birth), day_of(start))


def diagnoses(programme: View, known: KnownChild) -> set[tuple[str | None, str | None]]:
    """System and code of every diagnosis, in the document or in the record."""
    stated = [part.value("condition") for part in programme.parts("diagnosis") if part.present]
    coded: list[Coded] = [*(item for item in stated if item is not None), *known.diagnosis]
    return {(item.system, item.code) for item in coded}


def _by_mouth(regimen: View, technique: Technique, programme: View) -> bool:
    """Whether the child breathes through a mouthpiece; without word of a mask it is assumed."""
    if technique.mouthpiece == "never":
        return False
    if technique.mouthpiece == "always":
        return True
    key = regimen.value("device")
    devices = [entry for entry in programme.parts("device") if entry.value("key") == key]
    named = [regimen.part("dose").part("interface"), *(d.part("interface") for d in devices)]
    kinds = [kind for kind in (part.value("kind") for part in named) if kind is not None]
    if kinds:
        return "mouthpiece" in kinds
    return not any(device.value("kind") in MASK_DEVICES for device in devices)


def _mouthpiece_age(
    regimen: View, technique: Technique, programme: View, policy: Policy, age: int | None
) -> Iterator[Problem]:
    least = policy.mouthpiece_minimum_age.get(technique.code)
    if age is None or least is None or age >= least:
        return
    if _by_mouth(regimen, technique, programme):
        expected = f"a child of {least} years or more"
        found = f"a child of {age}"
        yield _caution(regimen.at("technique"), "mouthpiece-under-age", found, expected)


def _oscillation(regimen: View, technique: Technique, irritable: bool) -> Iterator[Problem]:
    if irritable and technique.oscillating:
        key, expected = "oscillation-irritable-airways", "a technique that does not oscillate"
        yield _caution(regimen.at("technique"), key, technique.code, expected)


def _positions(regimen: View, by_mouth: bool) -> Iterator[Problem]:
    meant = [part for part in regimen.parts("position") if part.value("use") != "avoid"]
    for part in (*meant, *regimen.part("dose").parts("drainage")):
        position = part.value("position")
        if position == "head-down":
            expected = "the head level with the body or higher"
            yield _caution(part.at("position"), "head-down", position, expected)
        if position == "supine" and by_mouth:
            expected = "upright or on the side"
            yield _caution(part.at("position"), "supine-with-mouthpiece", position, expected)


def _pressures(regimen: View, technique: Technique, policy: Policy) -> Iterator[Problem]:
    dose = regimen.part("dose")
    asked = {
        "pressure": ("low", "high"),
        "insufflation": ("pressure",),
        "exsufflation": ("pressure",),
    }
    for part, ends in asked.items():
        band = policy.pressure_bands.get((technique.code, part))
        if band is None:
            continue
        low, high = band
        outside = [end for end in ends if _outside(dose.part(part).value(end), low, high)]
        if outside:
            found = " to ".join(str(dose.part(part).value(end)) for end in ends)
            expected = f"{low} to {high} cm[H2O]"
            yield _caution(dose.at(part), "pressure-outside-band", found, expected)


def _outside(value: Any, low: Any, high: Any) -> bool:
    return value is not None and not low <= value <= high
