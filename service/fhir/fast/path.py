"""The quick path: is there nothing at all to say against this resource?"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Any

from service.fhir.definitions import Definitions
from service.fhir.fast.applying import Applying
from service.fhir.fast.generator import Generator
from service.fhir.fast.memory import UnsureError
from service.fhir.fast.reading import read_exactly, read_quickly
from service.fhir.fast.rules import UnsupportedError
from service.fhir.json import MAX_DEPTH, JsonObject
from service.fhir.r4 import tables
from service.fhir.validation.rules import ProfileRule

Check = Callable[[Any], bool]

_CORE = "http://hl7.org/fhir/StructureDefinition/"
_MORE_TO_THEM = frozenset({"Bundle", "Questionnaire", "QuestionnaireResponse"})
"""Types with rules in words that reach over the whole document: never clean here."""
_WRONG_SHAPE = (
    AttributeError, IndexError, KeyError, OverflowError, RecursionError, TypeError, UnsureError,
    ValueError,
)  # fmt: skip
"""What generated code meets in values of other JSON kinds than it reckons with."""


@dataclass(slots=True)
class _Checks:
    """Compiled checks for one way of reading numbers, by type and profile canonical."""

    namespace: dict[str, Any]
    found: dict[tuple[str, str], Check] = field(default_factory=dict)


class FastPath:
    """Answers True only where the diagnosing validator finds no error and no warning.

    False says nothing: the resource may be good and merely beyond what is known here. Threads may
    share it. What a type needs is generated and compiled when the first of its kind comes; memory
    is bounded.
    """

    def __init__(self, definitions: Definitions, rules: Sequence[ProfileRule] = ()) -> None:
        self._definitions = definitions
        self._generator = Generator(definitions)
        self._quick = _Checks(self._generator.module.quick)
        self._exact = _Checks(self._generator.module.exact)
        self._rules = {rule.resource_type: Applying(rule.resource_type, rules) for rule in rules}

    def prepare(self) -> list[str]:
        """Compile what the rules' profiles need, rather than when the first resource comes.

        The canonicals of profiles that cannot be turned into code, whose resources are never clean
        here.
        """
        left_out = []
        for applying in self._rules.values():
            for canonical in ("", *applying.profiles):
                try:
                    self._check(self._quick, applying.resource_type, canonical)
                except UnsureError:
                    left_out.append(canonical)
        return left_out

    def is_clean_text(self, data: bytes, profiles: Sequence[str] = ()) -> bool:
        """Whether JSON text is a resource that nothing can be said against."""
        value = read_quickly(data)
        if value is not None:
            return self._is_clean(self._quick, value, profiles)
        value = read_exactly(data)
        return value is not None and self._is_clean(self._exact, value, profiles)

    def is_clean(self, resource: JsonObject, profiles: Sequence[str] = ()) -> bool:
        """The same for a resource in memory, as ``service.fhir.json.read`` gives it."""
        return self._is_clean(self._exact, resource, profiles)

    def source(self) -> str:
        """All that has been generated so far, to be read."""
        return self._generator.module.text

    def _is_clean(self, checks: _Checks, value: Any, profiles: Sequence[str]) -> bool:
        try:
            kind = value["resourceType"]
            for canonical in self._applying(kind, value, profiles):
                if not self._check(checks, kind, canonical)(value):
                    return False
            if kind in self._generator.nesting and not _is_shallow(value):
                return False
        except _WRONG_SHAPE:
            return False
        return True

    def _applying(self, kind: str, value: JsonObject, profiles: Sequence[str]) -> Sequence[str]:
        applying = self._rules.get(kind)
        found = applying.to(value) if applying is not None else []
        if "meta" in value:
            base = _CORE + kind
            claims = value["meta"].get("profile", ())
            found = [*found, *(claim for claim in claims if claim != base)]
        return (*found, *profiles) if profiles else found or _BASE_ONLY

    def _check(self, checks: _Checks, kind: str, canonical: str) -> Check:
        check = checks.found.get((kind, canonical))
        if check is None:
            with self._generator.lock:
                check = checks.found[kind, canonical] = self._compiled(checks, kind, canonical)
        return check

    def _compiled(self, checks: _Checks, kind: str, canonical: str) -> Check:
        """Raises UnsureError for types and profiles that are not known or not turned into code."""
        if kind in _MORE_TO_THEM or tables.types()[kind]["kind"] != "resource":
            raise UnsureError
        profile = self._definitions.structure(canonical) if canonical else None
        if canonical and (profile is None or profile.get("type") != kind):
            raise UnsureError
        try:
            name = self._generator.resource(kind, profile)
        except UnsupportedError as error:
            raise UnsureError from error
        self._generator.module.build()
        check: Check = checks.namespace[name]
        return check


_BASE_ONLY = ("",)


def _is_shallow(value: Any) -> bool:
    """Whether nesting is within the reader's limit, as it is where no type nests in itself."""
    layer = [value]
    for _ in range(MAX_DEPTH):
        layer = [
            child
            for parent in layer
            for child in (parent.values() if parent.__class__ is dict else parent)
            if child.__class__ is dict or child.__class__ is list
        ]
        if not layer:
            return True
    return False
