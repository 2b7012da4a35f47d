"""A dose in plain words, field by field, so that a page can put each where it is done.

Every field of the dose that is given is said.
"""

from collections.abc import Callable, Iterator, Mapping
from decimal import Decimal

from service.programme.base import Band
from service.programme.dose import BuildUp, Dose, Interface, Phase, Stroke
from service.words.lengths import length
from service.words.terms import BASES, INTERFACES, POSITIONS
from service.words.wording import Wording, mark, mark_plural

Lines = Iterator[str]

_COUNTS: Mapping[str, tuple[str, str]] = {
    "cycles": mark_plural("{n} round", "{n} rounds"),
    "sets": mark_plural("{n} set", "{n} sets"),
    "blocks": mark_plural("{n} block", "{n} blocks"),
    "breaths_per_set": mark_plural("{n} breath in each set", "{n} breaths in each set"),
}
_LENGTHS: Mapping[str, tuple[str, str]] = {
    "hold": ("s", mark("Hold the breath for {length}")),
    "out_breath": ("s", mark("Breathe out for {length}")),
    "pause": ("s", mark("Pause for {length}")),
    "minutes": ("min", mark("{length} in all")),
    "block_minutes": ("min", mark("{length} in each block")),
}
_IN_EACH_ROUND = {
    "breaths": mark_plural("{n} breath in each round", "{n} breaths in each round"),
    "huffs": mark_plural("{n} huff in each round", "{n} huffs in each round"),
    "coughs": mark_plural("{n} cough in each round", "{n} coughs in each round"),
}
_ALONE = {
    "breaths": mark_plural("{n} breath", "{n} breaths"),
    "huffs": mark_plural("{n} huff", "{n} huffs"),
    "coughs": mark_plural("{n} cough", "{n} coughs"),
}
_BUILT_UP_TO = {
    False: mark_plural("Build up to {n} breath", "Build up to {n} breaths"),
    True: mark_plural(
        "Build up to {n} breath in each round", "Build up to {n} breaths in each round"
    ),
}
_NONE_OF_IT = {"huffs": mark("No huffs"), "coughs": mark("No coughs")}


def dose_fields(wording: Wording, dose: Dose) -> dict[str, tuple[str, ...]]:
    """By the name of each field that is given, in the order of doing: its sentences."""
    told: dict[str, tuple[str, ...]] = {}
    for name in _ORDER:
        if getattr(dose, name) not in (None, ()):
            told[name] = tuple(_field(wording, dose, name))
    return told


def basis_in_words(wording: Wording, dose: Dose) -> str:
    """By which part done is compared with prescribed."""
    return wording.text(BASES[dose.basis])


def interface_in_words(wording: Wording, interface: Interface) -> str:
    """For example "Mask, size: small child"."""
    kind = wording.text(INTERFACES[interface.kind])
    if interface.size is None:
        return kind
    size = wording.quoted(interface.size)
    return wording.text("{what}, size: {size}", what=kind, size=size)


def phase_in_words(wording: Wording, phase: Phase) -> tuple[str, ...]:
    """What is done in one phase, without its name; empty for a phase by feel."""
    told = []
    if phase.breaths is not None:
        told.append(wording.plural(*_ALONE["breaths"], phase.breaths))
    if phase.seconds is not None:
        told.append(length(wording, phase.seconds, "s"))
    if phase.hold is not None:
        told.append(_of_length(wording, "hold", phase.hold))
    if phase.huffs is not None:
        told.append(_count(wording, "huffs", phase.huffs, _ALONE))
    return tuple(told)


def _field(wording: Wording, dose: Dose, name: str) -> Lines:
    value = getattr(dose, name)
    if name in _COUNTS:
        yield wording.plural(*_COUNTS[name], value)
    elif name in _LENGTHS:
        yield _of_length(wording, name, value)
    elif name == "breaths" and dose.build_up is not None:
        yield wording.plural(*_BUILT_UP_TO[dose.cycles is not None], value)
    elif name in _ALONE:
        forms = _ALONE if dose.cycles is None else _IN_EACH_ROUND
        yield _count(wording, name, value, forms)
    else:
        yield from _OWN_WAYS[name](wording, dose)


def _of_length(wording: Wording, name: str, value: Decimal) -> str:
    unit, message = _LENGTHS[name]
    lasting = length(wording, value, "s" if unit == "s" else "min")
    return wording.text(message, length=lasting)


def _count(wording: Wording, name: str, value: int, forms: Mapping[str, tuple[str, str]]) -> str:
    if value == 0:
        return wording.text(_NONE_OF_IT[name])
    return wording.plural(*forms[name], value)


def _build_up(wording: Wording, dose: Dose) -> Lines:
    if dose.build_up is None:
        return
    steps: BuildUp = dose.build_up
    yield wording.plural("Start with {n} breath", "Start with {n} breaths", steps.start)
    every = length(wording, steps.every_days, "d")
    added = mark_plural("Add {n} breath after each {length}", "Add {n} breaths after each {length}")
    yield wording.plural(*added, steps.step, length=every)
    if steps.rule is not None:
        yield wording.quoted(steps.rule)


def _ratio(wording: Wording, dose: Dose) -> Lines:
    if dose.in_out_ratio is not None:
        low, high = dose.in_out_ratio.breath_in, dose.in_out_ratio.breath_out
        message = mark("Time in to time out: {low} to {high}")
        yield wording.text(message, low=low, high=high)


def _rest(wording: Wording, dose: Dose) -> Lines:
    if dose.rest is not None:
        lasting = length(wording, dose.rest, "s")
        if dose.cycles is None:
            yield wording.text("Rest for {length}", length=lasting)
        else:
            yield wording.text("Rest for {length} between rounds", length=lasting)


def _pressure(wording: Wording, dose: Dose) -> Lines:
    if dose.pressure is not None:
        yield wording.text("Pressure: {band} cmH2O", band=_band(wording, dose.pressure))


def _frequency(wording: Wording, dose: Dose) -> Lines:
    if dose.frequency is not None:
        yield wording.text("Speed: {band} Hz", band=_band(wording, dose.frequency))


def _garment_pressure(wording: Wording, dose: Dose) -> Lines:
    if dose.garment_pressure is not None:
        yield wording.text("Garment pressure: {number}", number=dose.garment_pressure)


def _band(wording: Wording, band: Band) -> str:
    if band.low == band.high:
        return wording.number(band.low)
    return wording.text("{low} to {high}", low=band.low, high=band.high)


def _insufflation(wording: Wording, dose: Dose) -> Lines:
    if dose.insufflation is not None:
        message = mark("Air pushed in: {pressure} cmH2O for {length}")
        yield _stroke(wording, dose.insufflation, message)


def _exsufflation(wording: Wording, dose: Dose) -> Lines:
    if dose.exsufflation is not None:
        message = mark("Air pulled out: {pressure} cmH2O for {length}")
        yield _stroke(wording, dose.exsufflation, message)


def _stroke(wording: Wording, stroke: Stroke, message: str) -> str:
    lasting = length(wording, stroke.seconds, "s")
    return wording.text(message, pressure=wording.signed(stroke.pressure), length=lasting)


def _phases(wording: Wording, dose: Dose) -> Lines:
    for phase in dose.phase:
        told = phase_in_words(wording, phase)
        name = wording.quoted(phase.name)
        yield wording.text("{what}: {how}", what=name, how=wording.joined(told)) if told else name


def _drainage(wording: Wording, dose: Dose) -> Lines:
    for one in dose.drainage:
        known = one.position in POSITIONS
        what = wording.text(POSITIONS[one.position]) if known else wording.quoted(one.position)
        yield wording.text("{what}: {how}", what=what, how=length(wording, one.minutes, "min"))


def _exercise(wording: Wording, dose: Dose) -> Lines:
    if dose.exercise is not None:
        yield wording.quoted(dose.exercise.kind)
        if dose.exercise.intensity is not None:
            hard = wording.quoted(dose.exercise.intensity)
            yield wording.text("How hard: {how}", how=hard)


def _interface(wording: Wording, dose: Dose) -> Lines:
    if dose.interface is not None:
        yield interface_in_words(wording, dose.interface)


def _setting(wording: Wording, dose: Dose) -> Lines:
    if dose.setting is not None:
        number = dose.setting.value
        if dose.setting.chosen_by == "manometer":
            yield wording.text("Device setting: {number} (found with a gauge)", number=number)
        else:
            yield wording.text("Device setting: {number} (found by feel and sound)", number=number)


_OWN_WAYS: Mapping[str, Callable[[Wording, Dose], Lines]] = {
    "build_up": _build_up,
    "in_out_ratio": _ratio,
    "rest": _rest,
    "pressure": _pressure,
    "frequency": _frequency,
    "garment_pressure": _garment_pressure,
    "insufflation": _insufflation,
    "exsufflation": _exsufflation,
    "phase": _phases,
    "drainage": _drainage,
    "exercise": _exercise,
    "interface": _interface,
    "setting": _setting,
}
_ORDER = (
    "cycles", "sets", "blocks", "block_minutes", "minutes", "interface", "setting", "frequency",
    "garment_pressure", "pressure", "exercise", "drainage", "phase", "build_up", "breaths",
    "breaths_per_set", "hold", "in_out_ratio", "out_breath", "insufflation", "exsufflation",
    "pause", "huffs", "coughs", "rest",
)  # fmt: skip
"""Fields in the order of doing: how much, with what, breathing, huff, cough, rest."""
