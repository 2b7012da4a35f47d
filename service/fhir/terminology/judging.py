"""$validate-code of a code system and of a value set, for one coding or a concept of several.

R4 codesystem-operation-validate-code.html and valueset-operation-validate-code.html.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass

from service.fhir.json import JsonObject
from service.fhir.outcome import shown
from service.fhir.terminology.concept import Absent, Coding, Concept
from service.fhir.terminology.errors import NotCheckedError
from service.fhir.terminology.parameters import parameter, parameters

Find = Callable[[Coding], Concept | Absent]
"""Where a coding is looked for. Raises NotCheckedError."""


@dataclass(frozen=True, slots=True)
class Judgement:
    """``message``: why not, or what was not checked. ``display``: what the concept is called."""

    result: bool
    message: str | None = None
    display: str | None = None

    def parameters(self) -> JsonObject:
        """The R4 answer."""
        return parameters(
            parameter("result", "valueBoolean", self.result),
            parameter("message", "valueString", self.message),
            parameter("display", "valueString", self.display),
        )


def judged(find: Find, codings: Sequence[Coding], language: str | None = None) -> Judgement:
    """Right if one of the codings is.

    Raises NotCheckedError when none is right and one of them cannot be judged.
    """
    faults: list[Judgement] = []
    unchecked: NotCheckedError | None = None
    for coding in codings:
        try:
            judgement = _judged(find(coding), coding, language)
        except NotCheckedError as error:
            unchecked = unchecked or error
            continue
        if judgement.result:
            return judgement
        faults.append(judgement)
    if unchecked is not None:
        raise unchecked
    told = " ".join(fault.message or "" for fault in faults)
    display = faults[0].display if len(faults) == 1 else None
    return Judgement(False, told or "The concept has no coding.", display)


def _judged(found: Concept | Absent, coding: Coding, language: str | None) -> Judgement:
    if isinstance(found, Absent):
        return Judgement(False, found.reason)
    display = found.shown(language)
    names = {_folded(name) for name in found.names()}
    if coding.display is None or _folded(coding.display) in names:
        return Judgement(True, display=display)
    if not names:
        told = f"No display of {shown(found.code)} is held here: the one given was not checked."
        return Judgement(True, told)
    told = f"Found the display {shown(coding.display)}, expected {shown(display)}."
    return Judgement(False, told, display)


def _folded(text: str) -> str:
    """Displays differ neither by case nor by blanks."""
    return " ".join(text.split()).casefold()
