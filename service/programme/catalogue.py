"""The technique catalogue: what each airway-clearance technique is, and what its dose must say.

Everything here is data that a clinic may look at and disagree with. Each figure carries its
source; ``common practice`` means usual in specialist teams without a single source, ``from
memory, to be confirmed`` means that a clinician has to check it before relying on it. Codes are
this project's own; none of them is a standard code.
"""

from dataclasses import dataclass
from decimal import Decimal
from types import MappingProxyType
from typing import Literal

COMMON_PRACTICE = "common practice"
FROM_MEMORY = "from memory, to be confirmed"

Mouthpiece = Literal["always", "unless a mask is named", "never"]


@dataclass(frozen=True, slots=True)
class Fact:
    """A statement of the trade and where it comes from."""

    text: str
    source: str


@dataclass(frozen=True, slots=True)
class UsualBand:
    """Usual values of one dose part, ends included, in ``unit`` (UCUM; None for a plain count)."""

    part: str
    low: Decimal
    high: Decimal
    unit: str | None
    source: str


@dataclass(frozen=True, slots=True)
class Technique:
    """One technique.

    ``dose_parts`` lists alternatives: a dose must hold every part of at least one of them, named
    as in the programme document. ``minimum_age`` is in years and concerns the mouthpiece.
    """

    code: str
    name: str
    dose_parts: tuple[tuple[str, ...], ...]
    chest_physiotherapy: bool = True
    oscillating: bool = False
    positive_pressure: bool = False
    mouthpiece: Mouthpiece = "never"
    minimum_age: int | None = None
    usual: tuple[UsualBand, ...] = ()
    cautions: tuple[Fact, ...] = ()


def _band(part: str, low: int, high: int, unit: str | None, source: str) -> UsualBand:
    return UsualBand(part, Decimal(low), Decimal(high), unit, source)


_PRESSURE_GUIDELINE = "AARC guideline on positive airway pressure adjuncts, Respir Care 1993;38:516"
_OSCILLATION_STUDY = "Respir Care 2019;64(4):398, abstract"
_COUGH_SURVEY = "survey of 240 children, doi 10.1016/j.prrv.2017.08.003, abstract"
_PEP_SHEET = "instruction page of a US children's hospital, 2012 and later"
_HIGH_PRESSURE_REVIEW = "review of chest physiotherapy in cystic fibrosis, web copy"

_NOT_FOR_INFANTS = Fact(
    "A mouthpiece works only when the lips seal round it, which an infant cannot do.",
    COMMON_PRACTICE,
)
_IRRITABLE = Fact("Irritable airways may not tolerate oscillation.", COMMON_PRACTICE)
_NOT_FLAT = Fact(
    "Not lying flat on the back with a mouthpiece; upright or on the side is fine.",
    COMMON_PRACTICE,
)
_STOP = Fact(
    "Stop at new chest pain, fresh blood, faintness or breathlessness that does not settle, and "
    "do not start again before the team has said so.",
    COMMON_PRACTICE,
)
_AIR_LEAK = Fact(
    "Not with an untreated pneumothorax, and not while blood is being coughed up in quantity.",
    "AARC 1993 list, read second-hand",
)
_HEAD_DOWN = Fact(
    "Keep the head level with the body or higher, at every age: head-down provokes reflux.",
    "Australian physiotherapists' page on infants with cystic fibrosis",
)
_COUNTED_OR_TIMED = (("cycles", "breaths"), ("minutes",))

_ALL = (
    Technique(
        code="pep",
        name="Positive expiratory pressure",
        dose_parts=_COUNTED_OR_TIMED,
        positive_pressure=True,
        mouthpiece="unless a mask is named",
        minimum_age=4,
        usual=(
            _band("pressure", 10, 20, "cm[H2O]", _PRESSURE_GUIDELINE),
            _band("breaths", 10, 15, None, _PEP_SHEET),
            _band("hold", 2, 3, "s", _PEP_SHEET),
            _band("outBreath", 4, 6, "s", _PEP_SHEET),
            _band("huffs", 2, 3, None, _PEP_SHEET),
            _band("cycles", 4, 6, None, FROM_MEMORY),
        ),
        cautions=(_NOT_FOR_INFANTS, _NOT_FLAT, _AIR_LEAK, _STOP),
    ),
    Technique(
        code="opep",
        name="Oscillating positive expiratory pressure",
        dose_parts=_COUNTED_OR_TIMED,
        oscillating=True,
        positive_pressure=True,
        mouthpiece="always",
        minimum_age=4,
        usual=(
            _band("pressure", 10, 20, "cm[H2O]", _OSCILLATION_STUDY),
            _band("breaths", 10, 10, None, COMMON_PRACTICE),
            _band("frequency", 6, 26, "Hz", FROM_MEMORY),
        ),
        cautions=(_NOT_FOR_INFANTS, _IRRITABLE, _NOT_FLAT, _AIR_LEAK, _STOP),
    ),
    Technique(
        code="high-pressure-pep",
        name="High-pressure positive expiratory pressure",
        dose_parts=_COUNTED_OR_TIMED,
        positive_pressure=True,
        usual=(
            _band("pressure", 26, 102, "cm[H2O]", _HIGH_PRESSURE_REVIEW),
            _band("cycles", 8, 10, None, FROM_MEMORY),
        ),
        cautions=(
            Fact(
                "For older children who can blow hard reliably, set with spirometry by a "
                "specialist centre.",
                FROM_MEMORY,
            ),
            _AIR_LEAK,
            _STOP,
        ),
    ),
    Technique(
        code="acbt",
        name="Active cycle of breathing techniques",
        dose_parts=(("phase",), ("cycles",), ("minutes",)),
        cautions=(
            Fact(
                "Comes after relaxed breathing and the huff have been mastered.",
                "Respir Care 2002;47(7):823, abstract",
            ),
            _STOP,
        ),
    ),
    Technique(
        code="autogenic-drainage",
        name="Autogenic drainage",
        dose_parts=(("phase",), ("minutes",)),
        usual=(_band("minutes", 20, 45, "min", FROM_MEMORY),),
        cautions=(
            Fact("Guided by feel and sound, not by counts.", COMMON_PRACTICE),
            Fact("Done alone from about 8 years; an adult's hands help before.", FROM_MEMORY),
            _STOP,
        ),
    ),
    Technique(
        code="assisted-autogenic-drainage",
        name="Assisted autogenic drainage",
        dose_parts=(("phase",), ("minutes",)),
        cautions=(Fact("Needs an adult whom the team has taught.", COMMON_PRACTICE), _STOP),
    ),
    Technique(
        code="postural-drainage",
        name="Modified postural drainage with percussion",
        dose_parts=(("drainage",), ("minutes",)),
        usual=(_band("minutes", 15, 30, "min", FROM_MEMORY),),
        cautions=(
            _HEAD_DOWN,
            Fact(
                "Percussion before feeds.",
                "Australian physiotherapists' page on infants with cystic fibrosis",
            ),
            _STOP,
        ),
    ),
    Technique(
        code="hfcwo",
        name="High-frequency chest wall oscillation",
        dose_parts=(("blocks", "blockMinutes"), ("minutes",)),
        oscillating=True,
        usual=(
            _band("frequency", 5, 25, "Hz", FROM_MEMORY),
            _band("minutes", 20, 30, "min", FROM_MEMORY),
        ),
        cautions=(
            _IRRITABLE,
            Fact("In one guideline for exceptional cases only.", "NICE NG78, 2017, summary"),
            _STOP,
        ),
    ),
    Technique(
        code="mi-e",
        name="Mechanical insufflation-exsufflation",
        dose_parts=(
            ("insufflation", "exsufflation", "breathsPerSet", "sets"),
            ("insufflation", "exsufflation", "minutes"),
        ),
        positive_pressure=True,
        usual=(
            _band("insufflation", 10, 50, "cm[H2O]", _COUGH_SURVEY),
            _band("exsufflation", -60, -10, "cm[H2O]", _COUGH_SURVEY),
            _band("breathsPerSet", 4, 5, None, COMMON_PRACTICE),
            _band("sets", 3, 5, None, COMMON_PRACTICE),
        ),
        cautions=(
            Fact(
                "Weigh it where the lung may leak: bullae, earlier pneumothorax or "
                "pneumomediastinum, recent pressure injury.",
                "policy page of a US insurer",
            ),
            _STOP,
        ),
    ),
    Technique(
        code="exercise",
        name="Exercise as airway clearance",
        dose_parts=(("minutes",),),
        chest_physiotherapy=False,
        cautions=(
            Fact("Clears mucus only with huffs and coughs added.", "ERJ 2019;53:1801793, summary"),
            _STOP,
        ),
    ),
    Technique(
        code="huff",
        name="Huff (forced expiration)",
        dose_parts=(("huffs",), ("cycles",)),
        cautions=(
            Fact("Rest with relaxed breathing between huffs.", COMMON_PRACTICE),
            _STOP,
        ),
    ),
)

TECHNIQUES: MappingProxyType[str, Technique] = MappingProxyType(
    {technique.code: technique for technique in _ALL}
)
"""Technique code -> technique."""

POSITIONS: MappingProxyType[str, str] = MappingProxyType(
    {
        "upright": "Sitting upright",
        "reclined": "Sitting, leaning back",
        "side-lying-left": "Lying on the left side",
        "side-lying-right": "Lying on the right side",
        "prone": "Lying on the front",
        "supine": "Lying flat on the back",
        "lap": "On an adult's lap",
        "standing": "Standing or moving",
        "head-down": "Head lower than the body",
    }
)

DEVICE_KINDS: MappingProxyType[str, str] = MappingProxyType(
    {
        "pep-mask": "PEP mask",
        "pep-mouthpiece": "PEP mouthpiece",
        "opep-handheld": "Hand-held oscillating PEP device",
        "high-pressure-pep-mask": "High-pressure PEP mask",
        "hfcwo-garment": "Chest wall oscillation garment with its generator",
        "mi-e-machine": "Insufflation-exsufflation machine",
        "huffing-tube": "Huffing tube",
    }
)

MASK_DEVICES = frozenset({"pep-mask", "high-pressure-pep-mask"})
"""Kinds of device that are worn as a mask, so no mouthpiece is involved."""

GOAL_MEASURES: MappingProxyType[str, str] = MappingProxyType(
    {
        "sessions-per-week": "Sessions in a week",
        "exercise-minutes": "Minutes of exercise in a week",
        "own-words": "In the child's own words",
    }
)

CAUTIONS: MappingProxyType[str, str] = MappingProxyType(
    {
        "mouthpiece-under-age": "A mouthpiece for a child below the minimum age",
        "oscillation-irritable-airways": "Oscillation for a child with irritable airways",
        "supine-with-mouthpiece": "Lying flat on the back with a mouthpiece",
        "head-down": "A head-down position",
        "pressure-outside-band": "A pressure outside the usual band of the technique",
    }
)
"""What a clinician may accept with a name and a reason; everything else wrong is refused."""

TRADE_FACTS: MappingProxyType[str, Fact] = MappingProxyType(
    {
        "cycle": Fact("Ten breaths make a cycle; a huff and a cough follow it.", COMMON_PRACTICE),
        "how-often": Fact(
            "Once a day when well and twice when unwell, as agreed with the physiotherapist.",
            COMMON_PRACTICE,
        ),
        "setting": Fact(
            "No formula gives a device's setting: it is chosen by feel and sound, and recorded.",
            COMMON_PRACTICE,
        ),
        "seal": _NOT_FOR_INFANTS,
        "irritable": _IRRITABLE,
        "not-flat": _NOT_FLAT,
        "beginners": Fact("Beginners do fewer breaths and build up.", COMMON_PRACTICE),
        "nothing-came-up": Fact("It is normal that nothing comes up.", COMMON_PRACTICE),
    }
)
"""Statements against which programmes, instructions and examples are held."""
