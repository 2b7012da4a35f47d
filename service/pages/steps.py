"""One regimen as the steps in which it is done, each with its drawing.

Every part of the dose belongs to one step, whatever the technique.
"""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

from service.programme.dose import Dose
from service.programme.plan import Device, MedicineOrder, Regimen
from service.words import Words, mark

HOW_MUCH = ("cycles", "sets", "blocks", "block_minutes", "minutes")
"""Fields of the dose that stand above the steps."""
_WITH = ("interface", "setting", "frequency", "garment_pressure", "pressure")
_BREATHING = (
    "build_up", "breaths", "breaths_per_set", "hold", "in_out_ratio", "out_breath",
    "insufflation", "exsufflation", "pause",
)  # fmt: skip

_BREATHING_PICTURES: Mapping[str, str] = {"mi-e": "machine", "hfcwo": "garment"}
_WEARING: Mapping[str, tuple[str, str]] = {
    "mouthpiece": ("mouthpiece", mark("Lips tight. Cheeks firm.")),
    "mask": ("mask", mark("Mask tight on the face.")),
    "garment": ("garment", mark("Garment snug, not tight.")),
}
_WITHOUT_INTERFACE: Mapping[str, str] = {
    "pep-mask": "mask",
    "high-pressure-pep-mask": "mask",
    "pep-mouthpiece": "mouthpiece",
    "opep-handheld": "mouthpiece",
    "hfcwo-garment": "garment",
}
_POSITION_PICTURES = frozenset(
    {"upright", "reclined", "side-lying-left", "side-lying-right", "prone", "supine", "lap",
     "standing", "head-down"}
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Step:
    """``picture`` is the name of a drawing; ``lines`` are sentences in order."""

    picture: str
    title: str
    lines: tuple[str, ...] = ()


def steps_of(words: Words, regimen: Regimen, device: Device | None) -> tuple[Step, ...]:
    """The steps of one session, in order."""
    dose = regimen.dose or Dose()
    fields = words.dose_fields(dose)
    return (
        *_medicine(words, regimen, "before"),
        *_posture(words, regimen),
        *_wearing(words, dose, device, fields),
        *_medicine(words, regimen, "during"),
        *_drainage(words, dose),
        *_exercise(words, dose, fields),
        *_phases(words, dose),
        *_breathing(words, regimen, fields),
        *_simple(words, fields),
        *_medicine(words, regimen, "after"),
    )


def _medicine(words: Words, regimen: Regimen, order: str) -> Iterator[Step]:
    orders: list[MedicineOrder] = [one for one in regimen.medicine if one.order == order]
    if orders:
        yield Step("medicine", words.text("Medicine"), tuple(map(words.medicine, orders)))


def _posture(words: Words, regimen: Regimen) -> Iterator[Step]:
    by_use: dict[str, list[str]] = {"advised": [], "allowed": [], "avoid": []}
    for one in regimen.position:
        by_use[one.use].append(one.position)
    meant = by_use["advised"] or by_use["allowed"]
    if not regimen.position:
        return
    also = by_use["allowed"] if by_use["advised"] else []
    lines = [words.text("Also fine: {what}", what=words.position(one)) for one in also]
    lines += [words.text("Do not: {what}", what=words.position(one)) for one in by_use["avoid"]]
    title = words.choice(map(words.position, meant)) if meant else words.text("Posture")
    picture = meant[0] if meant and meant[0] in _POSITION_PICTURES else "upright"
    yield Step(picture, title, tuple(lines))


def _wearing(
    words: Words, dose: Dose, device: Device | None, fields: Mapping[str, tuple[str, ...]]
) -> Iterator[Step]:
    """What touches the child, and how the device is set."""
    interface = dose.interface or (device.interface if device else None)
    kind = interface.kind if interface else _WITHOUT_INTERFACE.get(device.kind if device else "")
    lines = [line for name in _WITH for line in fields.get(name, ())]
    if interface is not None and dose.interface is None:
        lines.insert(0, words.interface(interface))
    if kind is None and not lines and device is None:
        return
    if device is not None:
        lines.insert(0, words.device(device.kind))
    picture, seal = _WEARING.get(kind or "", ("machine", mark("The device")))
    yield Step(picture, words.text(seal), tuple(lines))


def _drainage(words: Words, dose: Dose) -> Iterator[Step]:
    for one in dose.drainage:
        picture = one.position if one.position in _POSITION_PICTURES else "upright"
        yield Step(picture, words.position(one.position), (words.minutes(one.minutes),))


def _exercise(words: Words, dose: Dose, fields: Mapping[str, tuple[str, ...]]) -> Iterator[Step]:
    if dose.exercise is not None:
        yield Step("exercise", words.text("Get out of breath"), fields["exercise"])


def _phases(words: Words, dose: Dose) -> Iterator[Step]:
    for phase in dose.phase:
        if phase.huffs:
            picture = "huff"
        elif phase.breaths or phase.hold:
            picture = "breathe-in"
        else:
            picture = "quiet"
        yield Step(picture, words.quoted(phase.name), words.phase(phase))


def _breathing(
    words: Words, regimen: Regimen, fields: Mapping[str, tuple[str, ...]]
) -> Iterator[Step]:
    lines = tuple(line for name in _BREATHING for line in fields.get(name, ()))
    if not lines:
        return
    picture = _BREATHING_PICTURES.get(regimen.technique, "breathe-out")
    title = words.text("Breathe with the machine") if picture == "machine" else None
    yield Step(picture, title or words.text("Long breath out"), lines)


def _simple(words: Words, fields: Mapping[str, tuple[str, ...]]) -> Iterator[Step]:
    titles = {
        "huffs": ("huff", words.text("Huff: mouth and throat open")),
        "coughs": ("cough", words.text("Cough")),
        "rest": ("quiet", words.text("Rest: quiet breaths")),
    }
    for name, (picture, title) in titles.items():
        if name in fields:
            yield Step(picture, title, fields[name])
