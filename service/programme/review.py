"""A technique review: a child shows a technique, and a clinician notes how each step was done."""

from collections.abc import Mapping
from types import MappingProxyType
from typing import Literal

from pydantic import Field

from service.programme.base import Code, Document, Identifier, Moment, Text

REVIEW_STEPS: Mapping[str, str] = MappingProxyType(
    {
        "seal": "Seal",
        "posture": "Posture",
        "cheeks-firm": "Cheeks firm",
        "in-breath": "In-breath",
        "hold": "Hold",
        "out-breath": "Out-breath",
        "in-out-ratio": "In-breath to out-breath",
        "pressure-in-band": "Pressure in the band",
        "breaths-per-cycle": "Breaths in a cycle",
        "huff-open-throat": "Huff with an open throat",
        "huff-without-wheeze": "Huff without wheeze",
        "breathing-control": "Breathing control",
        "cough-last": "Cough last",
        "cleaning-shown": "Cleaning shown back",
    }
)
"""What is looked at, by code (common practice)."""


class ReviewStep(Document):
    """One step: seen without a prompt, done with one, or not yet."""

    step: Code
    shown: Literal["seen", "prompted", "not-yet"]


class Reviewer(Document):
    """The clinician who looked: ``reference`` to a Practitioner of the record, number or name."""

    reference: Text | None = None
    identifier: Identifier | None = None
    name: Text | None = None


class TechniqueReview(Document):
    """One review of one technique. ``id`` is the sender's own number; ``helper`` helps at home."""

    id: Identifier | None = None
    source: Text | None = None
    child: Identifier
    technique: Code
    device_kind: Code | None = None
    date: Moment
    method: Literal["in-clinic", "remote", "home-visit"]
    reviewer: Reviewer
    helper: Text | None = None
    step: tuple[ReviewStep, ...] = Field(min_length=1)
