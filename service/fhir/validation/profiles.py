"""Every profile by canonical, compiled on first use; the loaded ones at start-up."""

import threading
from collections.abc import Iterator
from contextlib import contextmanager

from service.fhir.definitions import DefinitionError, Definitions
from service.fhir.json import JsonObject
from service.fhir.structure import specialises
from service.fhir.validation.facets import HL7
from service.fhir.validation.items import Item
from service.fhir.validation.profile import ProfileCheck
from service.fhir.validation.report import Report
from service.fhir.validation.tools import Tools


class Profiles:
    """Finds and asks profiles, loaded ones and those of the core."""

    def __init__(self, definitions: Definitions, *, rest: bool) -> None:
        self._definitions = definitions
        self._checks: dict[int, ProfileCheck | None] = {}
        self._refused: dict[str, str] = {}
        self._asked = threading.local()
        self.tools = Tools(definitions, self.conforms, rest=rest)

    def compile_loaded(self) -> dict[str, str]:
        """Compile what is loaded; what cannot be applied, by canonical, with the reason."""
        for profile in self._definitions.of_type("StructureDefinition"):
            if profile.get("derivation") == "constraint" and profile.get("kind") != "logical":
                self._compiled(profile)
        return self._refused

    def get(self, canonical: str) -> ProfileCheck | None:
        """The check of ``url|version``, or of the newest version; None where it is not known."""
        url = canonical if "/" in canonical or ":" in canonical else HL7 + canonical
        profile = self._definitions.structure(url)
        if profile is None or profile.get("derivation") != "constraint":
            return None
        return self._compiled(profile)

    def _compiled(self, profile: JsonObject) -> ProfileCheck | None:
        key = id(profile)
        if key not in self._checks:
            try:
                self._checks[key] = ProfileCheck(profile, self.tools)
            except DefinitionError as error:
                self._checks[key] = None
                self._refused[profile["url"]] = str(error)
        return self._checks[key]

    def reason(self, canonical: str) -> str | None:
        """Why a known profile cannot be applied."""
        return self._refused.get(canonical.partition("|")[0])

    def conforms(self, item: Item, canonical: str) -> bool | None:
        """Whether an item meets a profile or is of a type; None where that is not known.

        What is being asked already counts as met, so that references in a circle end; an answer is
        remembered within ``one_document``, so that nesting does not multiply the work.
        """
        bare = canonical.partition("|")[0].removeprefix(HL7)
        check = self.get(canonical)
        if check is None:
            return specialises(item.type, bare) if "/" not in bare else None
        if not specialises(item.type, check.type):
            return False
        answers: dict[tuple[int, str], bool] = self._asked.__dict__.setdefault("answers", {})
        pair = (id(item.value), check.canonical)
        if isinstance(item.value, dict) and pair in answers:
            return answers[pair]
        answers[pair] = True
        report = Report()
        check.check(item, report)
        answers[pair] = not report.failed
        return answers[pair]

    @contextmanager
    def one_document(self) -> Iterator[None]:
        """Answers hold for as long as one document is checked, in one thread."""
        self._asked.answers = {}
        try:
            yield
        finally:
            self._asked.answers = {}
