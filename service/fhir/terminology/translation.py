"""ConceptMap/$translate: where a concept leads (R4 conceptmap-operation-translate.html)."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from service.fhir.json import JsonObject
from service.fhir.outcome import shown
from service.fhir.terminology.concept import Absent, Coding
from service.fhir.terminology.concept_maps import NO_MATCH, ConceptMap, ConceptMaps, Match
from service.fhir.terminology.errors import NotCheckedError, UnknownError
from service.fhir.terminology.parameters import group, parameter, parameters
from service.fhir.terminology.value_sets import Content, ValueSets


@dataclass(frozen=True, slots=True)
class Asked:
    """What to translate, and into what.

    ``map``: the one to follow; without it all are. ``source`` and ``target`` are value sets,
    ``target_system`` a code system. ``reverse``: from the targets of a map to its sources, with
    the meaning of ``source`` and ``target`` exchanged as well.
    """

    codings: Sequence[Coding]
    map: ConceptMap | None = None
    source: str | None = None
    target: str | None = None
    target_system: str | None = None
    reverse: bool = False


def translate(asked: Asked, maps: ConceptMaps, value_sets: ValueSets) -> JsonObject:
    """The Parameters with every match. What leads nowhere is ``result`` false, not an error.

    Raises UnknownError for a target value set that is not known here.
    """
    return _Translation(asked, maps, value_sets).answer()


class _Translation:
    def __init__(self, asked: Asked, maps: ConceptMaps, value_sets: ValueSets) -> None:
        self._asked = asked
        self._maps = maps
        self._value_sets = value_sets
        ends = asked.source, asked.target
        self._from, self._into = ends[::-1] if asked.reverse else ends
        self._content = self._wanted_content()
        self._notes: dict[str, None] = {}

    def answer(self) -> JsonObject:
        matches = [match for coding in self._asked.codings for match in self._of(coding)]
        result = any(match.equivalence not in NO_MATCH for match in matches)
        if not matches:
            self._note(f"No loaded concept map leads from {self._named()} to what is asked.")
        return parameters(
            parameter("result", "valueBoolean", result),
            parameter("message", "valueString", " ".join(self._notes) or None),
            [_match_parameter(match) for match in matches],
        )

    def _named(self) -> str:
        return " or ".join(
            f"{shown(one.code)} of {shown(one.system)}" for one in self._asked.codings
        )

    def _note(self, told: str) -> None:
        self._notes[told] = None

    def _wanted_content(self) -> Content | None:
        return None if self._into is None else self._value_sets.get(*_split(self._into))

    def _of(self, coding: Coding) -> Iterator[Match]:
        followed = self._maps.newest if self._asked.map is None else [self._asked.map]
        for one in followed:
            for match in self._in_map(one, coding, frozenset()):
                if self._is_wanted(match, coding):
                    yield match

    def _in_map(self, one: ConceptMap, coding: Coding, seen: frozenset[str]) -> Iterator[Match]:
        if coding.system is None or coding.code is None:
            return
        index = one.backward if self._asked.reverse else one.forward
        yield from index.get((coding.system, coding.code), ())
        if not self._asked.reverse:
            yield from self._unmapped(one, coding, seen | {one.canonical})

    def _unmapped(self, one: ConceptMap, coding: Coding, seen: frozenset[str]) -> Iterator[Match]:
        for rule in one.unmapped.get(coding.system or "", ()):
            if coding.code in rule.listed:
                continue
            if rule.mode == "other-map":
                yield from self._in_other(rule.other or "", coding, seen)
                continue
            kept = {"system": rule.system, "code": coding.code}
            concept = kept if rule.mode == "provided" else rule.concept
            # R4 gives these no equivalence: the weakest that is a match is the honest one.
            yield Match("relatedto", concept, one.canonical, one.ends)

    def _in_other(self, canonical: str, coding: Coding, seen: frozenset[str]) -> Iterator[Match]:
        try:
            other = self._maps.get(*_split(canonical))
        except UnknownError as error:
            self._note(str(error))
            return
        if other.canonical not in seen:
            yield from self._in_map(other, coding, seen)

    def _is_wanted(self, match: Match, coding: Coding) -> bool:
        if self._from is not None and match.value_sets[0] not in {None, self._from}:
            return False
        if match.asked_version not in {None, coding.version or match.asked_version}:
            return False
        if match.depends:
            self._note("A match that depends on other elements was left out.")
            return False
        return match.concept is None or self._is_in_target(match, match.concept)

    def _is_in_target(self, match: Match, concept: JsonObject) -> bool:
        system = self._asked.target_system
        if system is not None and concept.get("system") != system:
            return False
        if self._content is None or match.value_sets[1] == self._into:
            return True
        try:
            found = self._value_sets.find(self._content, Coding.of(concept))
        except NotCheckedError as error:
            self._note(str(error))
            return True
        return not isinstance(found, Absent)


def _split(canonical: str) -> tuple[str, str | None]:
    url, _, version = canonical.partition("|")
    return url, version or None


def _match_parameter(match: Match) -> JsonObject:
    return group(
        "match",
        parameter("equivalence", "valueCode", match.equivalence),
        parameter("concept", "valueCoding", match.concept),
        [_product(product) for product in match.products],
        parameter("source", "valueUri", match.map),
    )


def _product(row: JsonObject) -> JsonObject:
    names = {"system": row.get("system"), "code": row["value"], "display": row.get("display")}
    concept = {name: value for name, value in names.items() if value is not None}
    return group(
        "product",
        parameter("element", "valueUri", row["property"]),
        parameter("concept", "valueCoding", concept),
    )
