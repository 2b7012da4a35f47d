"""What is asked about, and what is known of it."""

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Self

from service.fhir.json import JsonObject


@dataclass(frozen=True, slots=True)
class Coding:
    """A code as somebody sends it; None for what is not said."""

    system: str | None
    code: str | None
    version: str | None = None
    display: str | None = None

    @classmethod
    def of(cls, coding: JsonObject) -> Self:
        """The Coding of a FHIR object that is known to be well formed."""
        names = ("system", "code", "version", "display")
        return cls(**{name: coding.get(name) for name in names})


@dataclass(frozen=True, slots=True)
class Concept:
    """A code and what its system says of it, which for the codes of the R4 core is nothing more.

    ``designations`` and ``properties`` are as in CodeSystem.concept.
    """

    code: str
    display: str | None = None
    definition: str | None = None
    designations: tuple[JsonObject, ...] = ()
    properties: tuple[JsonObject, ...] = ()
    parent: str | None = None
    children: tuple[str, ...] = ()

    def shown(self, language: str | None = None) -> str | None:
        """The display in a language (BCP 47; a region fits its language), else the usual one."""
        if language is not None:
            wanted = language.lower()
            for designation in self.designations:
                found = str(designation.get("language", "")).lower()
                if found == wanted or found.startswith(f"{wanted}-"):
                    return str(designation["value"])
        return self.display

    def names(self) -> Iterator[str]:
        """Everything that the concept may be called."""
        if self.display is not None:
            yield self.display
        for designation in self.designations:
            yield designation["value"]


@dataclass(frozen=True, slots=True)
class Absent:
    """The code is surely not there; ``reason`` is a sentence."""

    reason: str
