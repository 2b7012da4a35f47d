"""How much: the dose of one technique in one session.

Every part is optional here; which parts a technique needs is in the technique catalogue.
Pressures are in cm[H2O], frequencies in Hz, times in seconds unless the name says minutes.
"""

from typing import Literal

from service.programme.base import (
    Amount,
    Band,
    Code,
    Count,
    Document,
    Number,
    PositiveCount,
    Ratio,
    Text,
)

DoseBasis = Literal["cycles", "minutes", "sets", "none"]


class BuildUp(Document):
    """How a beginner gets to the target: begin with few breaths, add some at each step."""

    start: PositiveCount
    step: PositiveCount
    every_days: PositiveCount
    rule: Text | None = None


class Phase(Document):
    """One phase of an ordered technique, by breaths or by seconds (or by feel, then neither)."""

    name: Text
    breaths: PositiveCount | None = None
    seconds: Amount | None = None
    hold: Amount | None = None
    huffs: Count | None = None


class DrainagePosition(Document):
    """How long in which position."""

    position: Code
    minutes: Amount


class Exercise(Document):
    """What kind of exercise, and how hard in words a family understands."""

    kind: Text
    intensity: Text | None = None


class Interface(Document):
    """What touches the child: mouthpiece, mask or garment, and its size."""

    kind: Literal["mouthpiece", "mask", "garment"]
    size: Text | None = None


class Setting(Document):
    """The setting on the device's own scale.

    There is no formula for it: it is chosen by feel and sound and recorded (common practice).
    """

    value: Number
    chosen_by: Literal["feel-and-sound", "manometer"] = "feel-and-sound"


class Stroke(Document):
    """One half of an insufflation-exsufflation breath: signed pressure and its time."""

    pressure: Number
    seconds: Amount


class Dose(Document):
    """The dose of one session. ``basis`` names the part by which done is compared to prescribed."""

    basis: DoseBasis = "none"
    cycles: PositiveCount | None = None
    breaths: PositiveCount | None = None
    build_up: BuildUp | None = None
    hold: Amount | None = None
    out_breath: Amount | None = None
    in_out_ratio: Ratio | None = None
    rest: Amount | None = None
    huffs: Count | None = None
    coughs: Count | None = None
    minutes: Amount | None = None
    pressure: Band | None = None
    insufflation: Stroke | None = None
    exsufflation: Stroke | None = None
    pause: Amount | None = None
    breaths_per_set: PositiveCount | None = None
    sets: PositiveCount | None = None
    frequency: Band | None = None
    garment_pressure: Number | None = None
    blocks: PositiveCount | None = None
    block_minutes: Amount | None = None
    phase: tuple[Phase, ...] = ()
    drainage: tuple[DrainagePosition, ...] = ()
    exercise: Exercise | None = None
    interface: Interface | None = None
    setting: Setting | None = None
