"""Doses: what a technique's dose must say, and what the numbers of a dose must agree on."""

from collections.abc import Iterator

from service.programme.catalogue import POSITIONS, Technique
from service.programme.checks.problems import Problem, refused
from service.programme.checks.view import View

_BASIS_PARTS = {
    "cycles": ("cycles",),
    "sets": ("sets",),
    "minutes": ("minutes", "blockMinutes", "drainage"),
}
"""By what done is compared to prescribed -> the parts of a dose that can tell it."""


def dose_problems(
    dose: View, technique: Technique | None, device: View | None
) -> Iterator[Problem]:
    """Everything that is wrong with one dose, which may be absent."""
    by_basis = _parts_for_basis(dose)
    if technique is not None:
        yield from _missing_parts(dose, technique, by_basis)
    if by_basis:
        expected = f"{' or '.join(by_basis)}, because the dose is compared by it"
        yield refused(dose.at(by_basis[0]), "dose-part-missing", None, expected)
    yield from _build_up(dose)
    yield from _strokes(dose)
    for position in dose.parts("drainage"):
        yield from unknown_position(position)
    if device is not None:
        yield from _setting(dose.part("setting"), device.part("scale"))


def _parts_for_basis(dose: View) -> tuple[str, ...]:
    """The parts of which the dose needs one because it is compared by it and has none of them."""
    parts = _BASIS_PARTS.get(dose.value("basis"), ())
    return () if any(map(dose.has, parts)) else parts


def _missing_parts(
    dose: View, technique: Technique, by_basis: tuple[str, ...]
) -> Iterator[Problem]:
    """An alternative that is partly there is asked for part by part; else the whole dose is.

    Not what ``by_basis`` asks for already.
    """
    if any(set(parts) <= set(by_basis) for parts in technique.dose_parts):
        return
    missing = [[part for part in parts if not dose.has(part)] for parts in technique.dose_parts]
    if not all(missing):
        return
    expected = ", or ".join(" and ".join(parts) for parts in technique.dose_parts)
    begun = [
        absent
        for absent, parts in zip(missing, technique.dose_parts, strict=True)
        if len(absent) < len(parts)
    ]
    for part in min(begun, key=len, default=()):
        yield refused(dose.at(part), "dose-part-missing", None, expected)
    if not begun:
        yield refused(dose.path, "dose-part-missing", None, expected)


def _build_up(dose: View) -> Iterator[Problem]:
    build_up = dose.part("buildUp")
    if dose.has("buildUp") and not dose.has("breaths"):
        expected = "the breaths to build up to"
        yield refused(dose.at("breaths"), "dose-part-missing", None, expected)
    start, target = build_up.value("start"), dose.value("breaths")
    if start is not None and target is not None and start > target:
        yield refused(build_up.at("start"), "build-up-above-target", start, f"at most {target}")


def _strokes(dose: View) -> Iterator[Problem]:
    """Insufflation and exsufflation have opposite signs: air is pushed in and drawn out."""
    for name, sign, expected in (("insufflation", 1, "above 0"), ("exsufflation", -1, "below 0")):
        stroke = dose.part(name)
        pressure = stroke.value("pressure")
        if pressure is not None and pressure * sign <= 0:
            found = stroke.raw["pressure"]
            yield refused(stroke.at("pressure"), "impossible-number", found, expected)


def _setting(setting: View, scale: View) -> Iterator[Problem]:
    chosen, low, high = setting.value("value"), scale.value("low"), scale.value("high")
    if None not in (chosen, low, high) and not low <= chosen <= high:
        found, expected = setting.raw["value"], f"between {low} and {high}"
        yield refused(setting.at("value"), "setting-off-scale", found, expected)


def unknown_position(holder: View) -> Iterator[Problem]:
    """For anything with a ``position``."""
    position = holder.value("position")
    if position is not None and position not in POSITIONS:
        expected = f"one of {', '.join(POSITIONS)}"
        yield refused(holder.at("position"), "unknown-position", position, expected)
