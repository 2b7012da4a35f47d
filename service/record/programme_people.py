"""Whom a programme document names, and who of them the record knows already.

A resource that exists is referred to and never rewritten. Children and professionals are found
by identifier; conditions and teams are those of the child that say the same; and whoever stood
in the version before is the same person as long as the document says the same of them.
"""

import re
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import Any

from service.fhir.codings import codings
from service.fhir.json import JsonObject, read
from service.fhir.outcome import Finding
from service.fhir.search.terms import Condition
from service.mapping.parties import party_key, read_party
from service.mapping.references import reference_of
from service.mapping.screens import answers_of, is_screen, read_screen
from service.programme.base import Coded
from service.programme.checks import KnownChild
from service.record.changes import Actor, Match, Premise
from service.record.record import Record
from service.record.resolver import Resolver
from service.record.screens import screens_that_count

_REFERENCE = re.compile(r"[A-Z][A-Za-z]+/[A-Za-z0-9.\-]{1,64}", re.ASCII)
_PROFESSIONALS = frozenset({"Practitioner", "PractitionerRole", "Organization"})
_TYPES = {
    "child": frozenset({"Patient"}),
    "professional": _PROFESSIONALS,
    "team": frozenset({"CareTeam"}),
    "diagnosis": frozenset({"Condition"}),
    "screen": frozenset({"QuestionnaireResponse"}),
}
_OF_THE_CHILD = {"diagnosis": "a condition", "screen": "a safety screen"}
_OVER = frozenset({"resolved"})
_WRONG = frozenset({"refuted", "entered-in-error"})


@dataclass(frozen=True, slots=True)
class Named:
    """A party that a raw document names: which kind, where, and what it says."""

    part: str
    place: str
    says: JsonObject


class People:
    """The parties of one raw document against the record.

    ``patient`` is ``Patient/id`` of the child, None while the record does not know them;
    ``known`` what the record holds of them; ``ids`` the id of each party that exists, by resource
    type and ``party_key``; ``premises`` what must still be true when the document is written;
    ``findings`` everything that does not fit.
    """

    def __init__(
        self, record: Record, caller: Actor, raw: Any, before: JsonObject | None = None
    ) -> None:
        self._record = record
        self._caller = caller
        self._resolve = Resolver(record, caller)
        self.ids: dict[tuple[str, str], str] = {}
        self.premises: list[Premise] = []
        self.findings: list[Finding] = []
        self.patient: str | None = None
        self.known = KnownChild()
        named = list(_named(raw))
        self._find_by_identifier(named)
        self._follow_references(named)
        self._learn_child(named)
        if before is not None:
            self._remember(before)

    def _find_by_identifier(self, named: Iterable[Named]) -> None:
        types = {"child": "Patient", "professional": "Practitioner"}
        described = [one for one in named if one.part in types and not one.says.get("reference")]
        for one in described:
            matches = [
                Match.identifier(types[one.part], identifier["system"], identifier["value"])
                for identifier in _identifiers(one.says)
            ]
            found = self._record.matches(matches)
            ids = {id_ for match in matches for id_ in found[match.name]}
            self.premises += [
                Premise(match, next(iter(found[match.name]), None)) for match in matches
            ]
            if len(ids) > 1:
                told = "the identifiers lead to more than one entry of the record"
                self._tell(f"{one.place}.identifier", "multiple-matches", told)
            elif ids and matches:
                self._take(one, f"{types[one.part]}/{ids.pop()}")

    def _take(self, one: Named, reference: str) -> None:
        type_, _, id_ = reference.partition("/")
        self.ids[type_, party_key({"identifier": _identifiers(one.says)})] = id_
        if one.part == "child":
            self.patient = reference

    def _follow_references(self, named: Iterable[Named]) -> None:
        for one in named:
            reference = one.says.get("reference")
            if not isinstance(reference, str) or not _REFERENCE.fullmatch(reference):
                continue
            place = f"{one.place}.reference"
            types = _TYPES[one.part]
            if reference.partition("/")[0] not in types:
                told = f"a reference to {' or '.join(sorted(types))} is expected"
                self._tell(place, "value", told)
            elif self._resolve(reference) is None:
                self._tell(place, "not-found", f"{reference} is not in the record")
            elif one.part == "child":
                self.patient = reference

    def _learn_child(self, named: Iterable[Named]) -> None:
        if self.patient is None:
            return
        patient = self._resolve(self.patient) or {}
        conditions = list(self._of_child("Condition"))
        responses = list(self._of_child("QuestionnaireResponse"))
        birth_date = patient.get("birthDate")
        screen = next((one.says.get("reference") for one in named if one.part == "screen"), None)
        self.known = known_child(patient, conditions, responses, screen)
        for resource in (*conditions, *self._of_child("CareTeam")):
            self._remember_as("diagnosis" if "code" in resource else "team", resource)
        for response in filter(answers_of, responses):
            self._remember_as("screen", response)
        for one in named:
            if one.part == "child":
                self._compare_birth_date(one, birth_date)
            elif one.part in _OF_THE_CHILD:
                self._compare_subject(one)

    def _compare_subject(self, one: Named) -> None:
        reference = one.says.get("reference")
        resource = self._resolve(reference) if isinstance(reference, str) else None
        if resource is None:
            return
        is_of_child = resource.get("subject", {}).get("reference") == self.patient
        if not is_of_child or (one.part == "screen" and not is_screen(resource)):
            told = f"{_OF_THE_CHILD[one.part]} of this child is expected"
            self._tell(f"{one.place}.reference", "value", told)

    def _compare_birth_date(self, child: Named, known: str | None) -> None:
        """The same number with another birth date is likely to be another child."""
        said = child.says.get("birthDate")
        if not isinstance(said, str) or known is None:
            return
        if not (said.startswith(known) or known.startswith(said)):
            told = "the record has another birth date for this child; it is not rewritten from here"
            self._tell(f"{child.place}.birthDate", "conflict", told)

    def _remember(self, plan: JsonObject) -> None:
        """The parties of the version before, as its document has them."""
        parties = [("professional", plan.get("author"))]
        parties += [("team", team) for team in plan.get("careTeam", [])[:1]]
        for part, reference in parties:
            if reference and (resource := self._resolve(reference.get("reference", ""))):
                self._remember_as(part, resource)

    def _remember_as(self, part: str, resource: JsonObject) -> None:
        shown = {"reference": reference_of(resource), "display": "as it is described"}
        if part == "screen":
            party = read_screen(shown, self._resolve) or {}
        else:
            party = read_party(part, shown, self._resolve, "")
        if "reference" not in party:
            self.ids.setdefault((resource["resourceType"], party_key(party)), resource["id"])
        for participant in resource.get("participant", []) if part == "team" else []:
            member = self._resolve(participant.get("member", {}).get("reference", ""))
            if member:
                self._remember_as("professional", member)

    def _of_child(self, type_: str) -> Iterator[JsonObject]:
        patient = (self.patient or "").removeprefix("Patient/")
        condition = Condition.refers_to("subject", "Patient", patient)
        for version in self._record.search(self._caller, type_, [condition]).versions:
            resource: JsonObject = read(version.body)
            if _stands(resource):
                self._resolve.keep(version)
                yield resource

    def _tell(self, place: str, code: str, told: str) -> None:
        self.findings.append(Finding("error", code, place, told))


def _named(raw: Any) -> Iterator[Named]:
    """Every party of a raw document that has the shape of one."""
    if not isinstance(raw, dict):
        return
    team = raw.get("team")
    members = team.get("member") if isinstance(team, dict) else None
    screen = raw.get("screen")
    asker = screen.get("by") if isinstance(screen, dict) else None
    candidates = [
        ("child", "Programme.child", raw.get("child")),
        ("professional", "Programme.author", raw.get("author")),
        ("team", "Programme.team", team),
        *_each("professional", "Programme.team.member", members),
        *_each("diagnosis", "Programme.diagnosis", raw.get("diagnosis")),
        ("screen", "Programme.screen", screen),
        ("professional", "Programme.screen.by", asker),
    ]
    for part, place, says in candidates:
        if isinstance(says, dict):
            yield Named(part, place, says)


def _each(part: str, place: str, items: Any) -> list[tuple[str, str, Any]]:
    if not isinstance(items, list):
        return []
    return [(part, f"{place}[{at}]", item) for at, item in enumerate(items)]


def _identifiers(says: JsonObject) -> list[JsonObject]:
    """Those identifiers that are well formed."""
    items = says.get("identifier")
    return [
        item
        for item in (items if isinstance(items, list) else [])
        if isinstance(item, dict)
        and isinstance(item.get("system"), str)
        and isinstance(item.get("value"), str)
    ]


def _coded(conditions: Iterable[JsonObject]) -> Iterator[Coded]:
    for condition in conditions:
        code = condition.get("code", {})
        for coding in code.get("coding", []):
            if coding.get("system") and coding.get("code"):
                text = code.get("text") or coding.get("display") or coding["code"]
                yield Coded(text=text, system=coding["system"], code=coding["code"])


def known_child(
    patient: JsonObject,
    conditions: Iterable[JsonObject],
    responses: Iterable[JsonObject],
    screen: Any = None,
) -> KnownChild:
    """What the record holds of a child that matters to cautions.

    ``screen`` is the response (``Type/id``) that a document refers to, as it says.
    """
    standing = (condition for condition in conditions if _stands(condition))
    screens = screens_that_count(responses, screen if isinstance(screen, str) else None)
    return KnownChild(patient.get("birthDate"), tuple(_coded(standing)), screens)


def _stands(resource: JsonObject) -> bool:
    """Whether a condition or a team is neither over nor a mistake."""
    return not _status_codes(resource) & (_OVER | _WRONG)


def _status_codes(resource: JsonObject) -> set[str | None]:
    concepts = (resource.get("clinicalStatus", {}), resource.get("verificationStatus", {}))
    return {code for _, code in codings(concepts)} | {resource.get("status")}
