"""Child, team, author and diagnosis: referred to where the record knows them, else made.

A document names each of them either by ``reference`` alone or by who it is. What is referred to
is never rewritten. In the resources a bare reference is the first form; a reference that also
carries an identifier (the child) or a display (the others) is the second.
"""

import hashlib
from collections.abc import Callable
from dataclasses import dataclass, field

from service.fhir.json import JsonObject, write
from service.mapping.converters import Context
from service.mapping.documents import built
from service.mapping.errors import UnmappableError
from service.mapping.references import Resolve
from service.mapping.tables import tables
from service.programme.plan import Screen

Ids = Callable[[str, str], str]
"""From resource type and the key of a part to the logical id that its resource gets or has."""


def party_key(party: JsonObject) -> str:
    """What makes a party the same one: its first identifier (``system|value``), else all of it."""
    for identifier in party.get("identifier", []):
        return f"{identifier['system']}|{identifier['value']}"
    return hashlib.sha256(write(party, in_order=True)).hexdigest()


@dataclass(slots=True)
class PartyMaker:
    """Makes the resources of the parties of one document; the same party only once."""

    ids: Ids
    made: dict[tuple[str, str], JsonObject] = field(default_factory=dict)
    _sources: dict[tuple[str, str], JsonObject] = field(default_factory=dict)

    def child(self, child: JsonObject, place: str) -> JsonObject:
        """Reference to the child."""
        if _is_reference(child, place):
            return {"reference": child["reference"]}
        if not child.get("identifier"):
            raise UnmappableError(f"{place}.identifier", "a child needs an identifier")
        reference = self._made("child", child, place)
        return {"reference": reference, "identifier": dict(child["identifier"][0])}

    def professional(self, professional: JsonObject, place: str) -> JsonObject:
        """Reference to a member of the team."""
        if _is_reference(professional, place):
            return {"reference": professional["reference"]}
        return {
            "reference": self._made("professional", professional, place),
            "display": _name_to_show(professional, place),
        }

    def team(self, team: JsonObject, subject: JsonObject, place: str) -> JsonObject:
        """Reference to the team, whose members are made too."""
        if _is_reference(team, place):
            return {"reference": team["reference"]}
        members = [
            {"member": self.professional(member, f"{place}.member[{at}]")}
            for at, member in enumerate(team.get("member", []))
        ]
        links = {"subject": subject} | ({"participant": members} if members else {})
        reference = self._made("team", team, place, links)
        return {"reference": reference, "display": team.get("name", "team")}

    def diagnosis(self, diagnosis: JsonObject, subject: JsonObject, place: str) -> JsonObject:
        """Reference to the condition."""
        if _is_reference(diagnosis, place):
            return {"reference": diagnosis["reference"]}
        reference = self._made("diagnosis", diagnosis, place, {"subject": subject})
        return {"reference": reference, "display": diagnosis["condition"]["text"]}

    def screen(self, screen: JsonObject, subject: JsonObject, place: str) -> JsonObject:
        """Reference to the answers to the safety screen."""
        if _is_reference(screen, place):
            return {"reference": screen["reference"]}
        author = self.professional(screen.get("by", {}), f"{place}.by")
        links = {"subject": subject, "author": author}
        reference = self._made("screen", screen, place, links)
        return {"reference": reference, "display": f"Safety screen, {screen['date']}"}

    def _made(
        self, part: str, party: JsonObject, place: str, links: JsonObject | None = None
    ) -> str:
        table = tables()[part]
        key = (table.resource, party_key(party))
        if self._sources.setdefault(key, party) != party:
            raise UnmappableError(
                place, "the same identifier is given with other details elsewhere"
            )
        if key not in self.made:
            resource: JsonObject = {"resourceType": table.resource, "id": self.ids(*key)}
            self.made[key] = table.write(resource, party, Context()) | (links or {})
        return f"{table.resource}/{self.made[key]['id']}"


def read_party(part: str, reference: JsonObject | None, resolve: Resolve, place: str) -> JsonObject:
    """The document form of what ``reference`` (at ``place`` in a resource) refers to.

    Raises UnmappableError when it is not just referred to and cannot be found.
    """
    target = str((reference or {}).get("reference", ""))
    if reference is None or not target:
        raise UnmappableError(place, "a reference to a resource is expected")
    if ("identifier" if part == "child" else "display") not in reference:
        return {"reference": target}
    resource = resolve(target)
    if resource is None:
        raise UnmappableError(place, f"{target} is not in the record")
    table = tables()[part]
    if resource["resourceType"] != table.resource:
        return {"reference": target}
    party = _described(table.read(resource, Context()))
    if part == "team":
        party |= _members(resource, resolve)
    elif part == "screen":
        author = read_party("professional", resource.get("author"), resolve, f"{target}.author")
        party = built(Screen, party | {"by": author}).to_json()
    is_enough = party.get("identifier") if part == "child" else party
    return party if is_enough else {"reference": target}


def described(part: str, reference: str, resolve: Resolve) -> JsonObject:
    """Who or what ``reference`` is, as far as a document can say it; empty where it is unknown."""
    resource = resolve(reference)
    table = tables()[part]
    if resource is None or resource["resourceType"] != table.resource:
        return {}
    party = _described(table.read(resource, Context()))
    return party | (_members(resource, resolve) if part == "team" else {})


def _described(party: JsonObject) -> JsonObject:
    """What a document can hold of an entry that another system may have written.

    Its identifiers may lack a system, its names and concepts the text.
    """
    complete = [one for one in party.pop("identifier", []) if {"system", "value"} <= one.keys()]
    described: JsonObject = {"identifier": complete} if complete else {}
    name = party.pop("name", None)
    if isinstance(name, dict):
        words = [*name.get("given", []), *([name["family"]] if "family" in name else [])]
        described["name"] = {"text": " ".join(words)} | name
    elif name is not None:
        described["name"] = name
    if "text" not in party.get("condition", {"text": ""}):
        del party["condition"]
    return described | party


def _members(team: JsonObject, resolve: Resolve) -> JsonObject:
    members = [
        read_party("professional", participant["member"], resolve, f"CareTeam.participant[{at}]")
        for at, participant in enumerate(team.get("participant", []))
        if "member" in participant
    ]
    return {"member": members} if members else {}


def _is_reference(party: JsonObject, place: str) -> bool:
    if not party:
        raise UnmappableError(place, "a reference or details are expected")
    if "reference" in party and len(party) > 1:
        raise UnmappableError(place, "a reference stands alone: what it refers to is not rewritten")
    return "reference" in party


def _name_to_show(professional: JsonObject, place: str) -> str:
    name = professional.get("name", {}).get("text") or professional.get("role")
    identifiers = [identifier["value"] for identifier in professional.get("identifier", [])]
    return str(name or (identifiers[0] if identifiers else _refuse(place)))


def _refuse(place: str) -> str:
    raise UnmappableError(place, "a name, a role or an identifier is expected")
