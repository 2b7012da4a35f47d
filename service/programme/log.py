"""What comes from home: session logs, states of health and pauses."""

from typing import Literal

from service.programme.base import (
    Amount,
    Code,
    Count,
    Document,
    Flag,
    Identifier,
    Instant,
    Moment,
    Number,
    Text,
)

Outcome = Literal["complete", "partial", "not-done"]
RecordedBy = Literal["diary", "device"]


class Sputum(Document):
    """What came up. Nothing coming up is normal, and young children swallow it."""

    volume: Amount | None = None
    amount: Literal["none-seen", "teaspoon", "tablespoon", "egg-cup", "more"] | None = None
    colour: (
        Literal["clear", "white", "grey", "yellow", "green", "rust", "brown", "pink", "black"]
        | None
    ) = None
    consistency: Literal["thin", "thick"] | None = None


class Blood(Document):
    """Blood seen: class, volume in mL where it was estimated, and the scheme of the grade.

    Published schemes disagree, so the scheme is kept with the grade.
    """

    seen: Literal["none", "streaks", "more-than-streaks"]
    volume: Amount | None = None
    scheme: Text | None = None


class Session(Document):
    """One airway-clearance session at home, done or not done.

    ``id`` is the sender's own identifier. ``regimen`` is the key in the child's programme.
    ``pressure`` is in cm[H2O], ``frequency`` in Hz, ``spo2`` in %, both only where measured.
    ``device_start`` is what the device's clock said when that clock was found to be wrong.
    """

    id: Identifier | None = None
    source: Text
    child: Identifier
    technique: Code
    regimen: Code | None = None
    start: Instant
    end: Instant | None = None
    recorded: Instant | None = None
    recorded_by: RecordedBy
    performer: Literal["child", "parent"] | None = None
    helper: Text | None = None
    device_kind: Code | None = None
    outcome: Outcome
    reason: Text | None = None
    minutes: Amount | None = None
    cycles: Count | None = None
    breaths: Count | None = None
    huffs: Count | None = None
    sets: Count | None = None
    setting: Number | None = None
    pressure: Amount | None = None
    frequency: Amount | None = None
    position: Code | None = None
    sputum: Sputum | None = None
    blood: Blood | None = None
    spo2: Amount | None = None
    breathlessness: Count | None = None
    chest_pain: Flag | None = None
    faint: Flag | None = None
    stopped_early: Text | None = None
    clock: Literal["corrected", "suspect"] | None = None
    device_start: Instant | None = None


class HealthState(Document):
    """Well or unwell, from when until when (open while it lasts)."""

    id: Identifier | None = None
    source: Text
    child: Identifier
    state: Literal["well", "unwell"]
    start: Moment
    end: Moment | None = None


class Pause(Document):
    """A time when nothing is due: admission, agreed holiday or another reason, and who decided."""

    id: Identifier | None = None
    source: Text
    child: Identifier
    start: Moment
    end: Moment | None = None
    reason: Literal["admission", "agreed-holiday", "other"]
    decided_by: Text
