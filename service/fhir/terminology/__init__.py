"""Terminology over what is loaded: look-up, validation of codes, expansion, translation.

    terminology = Terminology.of(definitions)
    systems = terminology.systems
    look_up(systems.get("http://hl7.org/fhir/goal-status"), "active")

What is known is made once, from the definitions and the tables of the R4 core. What cannot be
judged raises NotCheckedError: no answer is a guess.
"""

from dataclasses import dataclass
from typing import Self

from service.fhir.definitions import Definitions
from service.fhir.terminology.concept import Absent, Coding, Concept
from service.fhir.terminology.concept_maps import ConceptMaps
from service.fhir.terminology.errors import NotCheckedError, TerminologyError, UnknownError
from service.fhir.terminology.expansion import Wanted, expand
from service.fhir.terminology.judging import Judgement, judged
from service.fhir.terminology.lookup import look_up
from service.fhir.terminology.systems import CodeSystems
from service.fhir.terminology.translation import Asked, translate
from service.fhir.terminology.value_sets import ValueSets

__all__ = [
    "Absent",
    "Asked",
    "Coding",
    "Concept",
    "Judgement",
    "NotCheckedError",
    "Terminology",
    "TerminologyError",
    "UnknownError",
    "Wanted",
    "expand",
    "judged",
    "look_up",
    "translate",
]


@dataclass(frozen=True, slots=True)
class Terminology:
    """Code systems, value sets and concept maps. Safe to share between threads."""

    systems: CodeSystems
    value_sets: ValueSets
    maps: ConceptMaps

    @classmethod
    def of(cls, definitions: Definitions) -> Self:
        """Everything that the definitions hold, and the R4 core.

        Raises DefinitionError for a value set that includes itself.
        """
        systems = CodeSystems(definitions)
        return cls(systems, ValueSets(definitions, systems), ConceptMaps(definitions))
