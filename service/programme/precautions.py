"""What must be asked before a technique is prescribed, and which techniques each answer bears on.

Data that a clinic may look at and disagree with, like the technique catalogue. None of it is an
absolute rule: no absolute contraindication to intermittent positive expiratory pressure has been
reported (respiratory-care course text after AARC 1993), so what is ``blocking`` asks a prescriber
to weigh it and to say why. A use that is ``unverified`` is off until a clinic turns it on.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Literal

from service.programme.catalogue import CAUTIONS, COMMON_PRACTICE, FROM_MEMORY

Effect = Literal["blocking", "note"]
Standing = Literal["published", "common practice", "unverified"]


@dataclass(frozen=True, slots=True)
class Use:
    """How a precaution bears on some techniques.

    ``blocking``: a programme needs an override with author and reason; ``note``: it is said in the
    answer. ``below_age``: completed years under which it holds by age alone.
    """

    techniques: tuple[str, ...]
    effect: Effect
    source: str
    standing: Standing = "published"
    below_age: int | None = None


@dataclass(frozen=True, slots=True)
class Precaution:
    """``name`` reads on after "a precaution for this technique:". ``question`` is that of the
    safety screen; None where the child's age answers it."""

    code: str
    name: str
    question: str | None
    uses: tuple[Use, ...]

    def use_for(self, technique: str) -> Use | None:
        """How it bears on a technique; None where it does not."""
        return next((use for use in self.uses if technique in use.techniques), None)


_PEP = ("pep", "opep", "high-pressure-pep")
_FORCED = ("acbt", "huff")

_PEP_LIST = Use(_PEP, "blocking", "AARC 1993 list, read second-hand")
_HOME_ADVICE = Use(("opep",), "blocking", "page of a Canadian centre for adults with CF")
_INFANT_PAGE = Use(
    ("postural-drainage",),
    "note",
    "Australian physiotherapists' page on infants with cystic fibrosis",
)
_STOP_AT = Use((*_PEP, *_FORCED), "blocking", COMMON_PRACTICE, "common practice")
_BETWEEN_HUFFS = Use(
    _FORCED,
    "note",
    f"{COMMON_PRACTICE}: relaxed breathing between sets of huffs",
    "common practice",
)
_COUGH_MACHINE = Use(("mi-e",), "blocking", "policy page of a US insurer; relative")
_PERCUSSION = Use(
    ("postural-drainage",),
    "blocking",
    f"{FROM_MEMORY}: AARC guideline on postural drainage, 1991",
    "unverified",
)
_GARMENT = Use(("hfcwo",), "blocking", FROM_MEMORY, "unverified")
_EXERCISE = Use(("exercise",), "blocking", FROM_MEMORY, "unverified")

_ALL = (
    Precaution(
        "untreated-pneumothorax",
        "an untreated pneumothorax",
        "Is there a pneumothorax (air round the lung) that has not been treated?",
        (_PEP_LIST,),
    ),
    Precaution(
        "raised-intracranial-pressure",
        "raised pressure inside the skull",
        "Is the pressure inside the skull above 20 mmHg, or thought to be?",
        (_PEP_LIST,),
    ),
    Precaution(
        "unstable-circulation",
        "an unstable circulation",
        "Is the circulation unstable?",
        (_PEP_LIST,),
    ),
    Precaution(
        "active-haemoptysis",
        "blood being coughed up",
        "Is more than streaks of blood being coughed up at present?",
        (_PEP_LIST,),
    ),
    Precaution(
        "head-surgery-or-injury",
        "recent surgery or injury of the face, mouth or skull",
        "Has there been recent surgery or injury of the face, mouth or skull?",
        (_PEP_LIST,),
    ),
    Precaution("acute-sinusitis", "acute sinusitis", "Is there an acute sinusitis?", (_PEP_LIST,)),
    Precaution("nosebleed", "a nosebleed", "Is the nose bleeding, or was it lately?", (_PEP_LIST,)),
    Precaution(
        "oesophageal-surgery",
        "surgery of the oesophagus",
        "Has there been surgery of the oesophagus?",
        (_PEP_LIST,),
    ),
    Precaution("nausea", "nausea", "Does the child feel sick?", (_PEP_LIST,)),
    Precaution(
        "middle-ear-disease",
        "a torn eardrum or other disease of the middle ear",
        "Is an eardrum torn, or thought to be, or is there other disease of the middle ear?",
        (_PEP_LIST,),
    ),
    Precaution(
        "work-of-breathing",
        "added work of breathing that the child may not bear",
        "Would the added work of breathing be too much for the child?",
        (_PEP_LIST,),
    ),
    Precaution(
        "very-breathless",
        "great breathlessness",
        "Is the child very breathless at rest?",
        (_HOME_ADVICE,),
    ),
    Precaution(
        "chest-pain",
        "chest pain that is new or not explained",
        "Is there chest pain that is new or not explained?",
        (_STOP_AT,),
    ),
    Precaution(
        "reflux",
        "reflux",
        "Does food or milk come back up (reflux)?",
        (_INFANT_PAGE,),
    ),
    Precaution(
        "bronchospasm",
        "bronchospasm",
        "Do the airways tighten (bronchospasm) with huffing, coughing or percussion?",
        (_BETWEEN_HUFFS, _PERCUSSION),
    ),
    Precaution(
        "stress-incontinence",
        "stress incontinence",
        "Does urine leak with huffing or coughing?",
        (_BETWEEN_HUFFS,),
    ),
    Precaution(
        "lung-bullae", "bullae in the lung", "Are bullae known in the lung?", (_COUGH_MACHINE,)
    ),
    Precaution(
        "air-leak-risk",
        "a known risk of air leaking from the lung",
        "Is a risk of pneumothorax or pneumomediastinum known?",
        (_COUGH_MACHINE,),
    ),
    Precaution(
        "pressure-injury",
        "a recent injury of the lung by pressure",
        "Has pressure injured the lung lately (barotrauma)?",
        (_COUGH_MACHINE,),
    ),
    Precaution("rib-fracture", "a broken rib", "Is a rib broken?", (_PERCUSSION,)),
    Precaution("low-bone-density", "low bone density", "Is the bone density low?", (_PERCUSSION,)),
    Precaution("low-platelets", "few platelets", "Are the platelets low?", (_PERCUSSION,)),
    Precaution(
        "burns-or-wounds",
        "burns or wounds of the chest",
        "Are there burns or wounds of the chest?",
        (_PERCUSSION,),
    ),
    Precaution(
        "head-or-neck-instability",
        "an unstable injury of head or neck",
        "Is there an injury of head or neck that is not stable?",
        (_GARMENT,),
    ),
    Precaution(
        "bleeding-with-instability",
        "bleeding with an unstable circulation",
        "Is there bleeding with an unstable circulation?",
        (_GARMENT,),
    ),
    Precaution(
        "chest-wall-wound",
        "a chest wall that has not healed",
        "Is there a wound of the chest wall that has not healed?",
        (_GARMENT,),
    ),
    Precaution(
        "spinal-surgery",
        "recent surgery of the spine",
        "Has there been recent surgery of the spine?",
        (_GARMENT,),
    ),
    Precaution(
        "implanted-device-or-line",
        "an implanted device or a line under the garment",
        "Is there an implanted device, or a line, where the garment would be?",
        (_GARMENT,),
    ),
    Precaution(
        "fever-or-illness",
        "fever or an acute illness",
        "Is there fever or another acute illness?",
        (_EXERCISE,),
    ),
    Precaution(
        "falling-saturation",
        "oxygen saturation that falls with exercise",
        "Does oxygen saturation fall with exercise?",
        (_EXERCISE,),
    ),
    Precaution(
        "exercise-asthma",
        "untreated asthma on exercise",
        "Does exercise bring on asthma that is not treated?",
        (_EXERCISE,),
    ),
    Precaution(
        "spleen-or-varices",
        "a large spleen or varices, for contact sport",
        "Is the spleen large, or are there varices? (contact sport)",
        (_EXERCISE,),
    ),
    Precaution(
        "dehydration-in-heat",
        "dehydration in heat",
        "Is dehydration in heat likely?",
        (_EXERCISE,),
    ),
    Precaution(
        "young-age",
        "a child younger than those it is usually taught to",
        None,
        (
            Use(
                ("autogenic-drainage",),
                "note",
                "patient-education text from the USA, 2006; elsewhere it is taught earlier",
                below_age=12,
            ),
            Use(("hfcwo",), "blocking", FROM_MEMORY, "unverified", below_age=2),
        ),
    ),
)

PRECAUTIONS: Mapping[str, Precaution] = MappingProxyType({one.code: one for one in _ALL})
"""Precaution code -> precaution, in the order in which they are asked."""

AGE = "young-age"
"""The precaution that the birth date answers."""
SCREEN_MISSING = "screen-missing"


def caution_of(precaution: str) -> str:
    """The code of the caution that a precaution raises."""
    return f"precaution-{precaution}"


ANSWERABLE: Mapping[str, str] = MappingProxyType(
    {
        **CAUTIONS,
        SCREEN_MISSING: "No safety screen of the child is known",
        **{caution_of(one.code): f"A precaution for this technique: {one.name}" for one in _ALL},
    }
)
"""Every caution that an override can answer, and what it says."""
