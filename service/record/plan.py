"""What a transaction is about: the identity of every entry, and the look-ups this rests on."""

import re
from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

from service.fhir.outcome import Finding
from service.record.changes import Match, Premise
from service.record.errors import Conflict, Invalid, Malformed, NotFound
from service.record.links import Names, as_members, references
from service.record.record import Record
from service.record.requests import READING, Request
from service.store.contract import Key

_CONDITIONAL = re.compile(r"([A-Z][A-Za-z]+)\?(.+)", re.ASCII)
_RESTFUL = re.compile(r"https?://.+/([A-Z][A-Za-z]+/[A-Za-z0-9\-.]{1,64})", re.ASCII)
_OF_ENTRIES = ("urn:uuid:", "urn:oid:")
"""Addresses that mean nothing outside the Bundle."""


@dataclass(frozen=True, slots=True)
class Plan:
    """What each entry becomes.

    ``targets`` and ``matches``: the type and id that a writing entry is about, and its condition,
    by its number; a conditional delete that found nothing has no target. ``changed``: the entries
    that change something; a conditional create that found its resource does not.
    ``names``: what links between entries become. ``premises``: the look-ups that must still hold.
    """

    targets: Mapping[int, Key]
    matches: Mapping[int, Match]
    changed: frozenset[int]
    names: Names
    premises: Sequence[Premise]


@dataclass(frozen=True, slots=True)
class _Link:
    """A reference inside an entry: where it stands, what it says."""

    place: str
    text: str


class Planning:
    """Plans transactions against the record as it is now. ``base``: see Transactions."""

    def __init__(self, record: Record, base: str) -> None:
        self._record = record
        self._base = base

    def plan(self, asked: Sequence[Request]) -> Plan:
        """Raises Malformed for overlaps and unreadable conditions, Conflict for ambiguous ones,
        Invalid for references to entries that are not there."""
        writing = [request for request in asked if request.method not in READING]
        links = [link for request in writing for link in _links(request)]
        matches = {r.number: match for r in writing if (match := self._condition(r)) is not None}
        linked = {link.text: match for link in links if (match := self._linked(link)) is not None}
        found = self._record.matches([*matches.values(), *linked.values()])
        meant = {r.number: self._target(r, matches.get(r.number), found) for r in writing}
        targets = {number: target for number, target in meant.items() if target is not None}
        _check_overlap(writing, targets, matches)
        full = {
            r.full_url: "/".join(targets[r.number])
            for r in writing
            if r.full_url and r.number in targets
        }
        _check_dangling(links, full)
        at_hand = _at_hand(writing, targets)
        ended = {meant[r.number] for r in writing if r.method == "DELETE"}
        answers = {
            link.text: _answer(link, linked[link.text], found, at_hand, ended)
            for link in links
            if link.text in linked
        }
        return Plan(
            targets=targets,
            matches=matches,
            changed=frozenset(
                request.number
                for request in writing
                if request.number in targets
                and (request.method != "POST" or not _holders(matches.get(request.number), found))
            ),
            names=Names(full, full | _tails(full) | answers),
            premises=[
                Premise(match, next(iter(found[match.name]), None))
                for match in (*matches.values(), *linked.values())
            ],
        )

    def _condition(self, request: Request) -> Match | None:
        query = request.if_none_exist if request.method == "POST" else request.query
        if query is None:
            return None
        query = query.removeprefix(f"{request.type}?")
        return self._match(request.type, query, f"{request.place}.request")

    def _linked(self, link: _Link) -> Match | None:
        conditional = _CONDITIONAL.fullmatch(link.text)
        return self._match(conditional[1], conditional[2], link.place) if conditional else None

    def _match(self, type_: str, query: str, place: str) -> Match:
        try:
            return self._record.match_of(type_, query, base=self._base)
        except Malformed as error:
            raise Malformed([_moved_to(finding, place) for finding in error.findings]) from None

    def _target(
        self, request: Request, match: Match | None, found: Mapping[str, Sequence[str]]
    ) -> Key | None:
        holders = _holders(match, found)
        if match is not None and len(holders) > 1:
            raise Conflict.at(request.place, f"More than one {match.type} meets {match.text}.")
        if match is not None and not holders and request.method in ("DELETE", "PATCH"):
            _check_may_be_none(request, match)
            return None
        own = request.id if match is None else request.resource.get("id")
        if request.method == "POST":
            own = None
        return (request.type, holders[0] if holders else own or self._record.new_id())


def _check_may_be_none(request: Request, match: Match) -> None:
    """Nothing meets the condition: nothing to delete, but to patch or at a certain version."""
    told = f"No {match.type} meets {match.text}."
    if request.if_match is not None:
        raise Conflict.at(request.place, told)
    if request.method == "PATCH":
        raise NotFound.at(request.place, told)


def _moved_to(finding: Finding, place: str) -> Finding:
    return Finding(finding.severity, finding.code, place, finding.diagnostics, finding.key)


def _holders(match: Match | None, found: Mapping[str, Sequence[str]]) -> Sequence[str]:
    return found[match.name] if match else ()


def _links(request: Request) -> Iterator[_Link]:
    patch = request.patch
    content = as_members(patch.document) if patch and patch.is_json_patch else request.resource
    for path, text in references(content):
        yield _Link(f"{request.place}.resource{path}", text)


def _check_overlap(
    writing: Sequence[Request], targets: Mapping[int, Key], matches: Mapping[int, Match]
) -> None:
    """No resource, condition or fullUrl may belong to two entries."""
    first: dict[object, int] = {}
    faults = []
    for request in writing:
        match = matches.get(request.number)
        for identity in (targets.get(request.number), match and match.name, request.full_url):
            earlier = first.setdefault(identity, request.number) if identity else request.number
            if earlier != request.number:
                told = f"This is about the same resource as entry {earlier}; one of them is enough."
                faults.append(Finding("error", "duplicate", request.place, told))
                break
    if faults:
        raise Malformed(faults)


def _check_dangling(links: Sequence[_Link], full: Mapping[str, str]) -> None:
    faults = [
        Finding("error", "not-found", link.place, f"No entry of this Bundle is {link.text}.")
        for link in links
        if link.text.startswith(_OF_ENTRIES) and link.text.partition("#")[0] not in full
    ]
    if faults:
        raise Invalid(faults)


def _tails(full: Mapping[str, str]) -> dict[str, str]:
    """References are relative to the address of the entry that they stand in."""
    tails = ((_RESTFUL.fullmatch(url), target) for url, target in full.items())
    return {tail.group(1): target for tail, target in tails if tail}


def _at_hand(writing: Sequence[Request], targets: Mapping[int, Key]) -> dict[str, set[str]]:
    """Ids of the transaction's own resources by each business identifier that they carry.

    Conditional references are resolved after the writes, so they may mean these.
    """
    found: dict[str, set[str]] = defaultdict(set)
    for request in (request for request in writing if request.method in ("POST", "PUT")):
        listed = request.resource.get("identifier")
        for one in listed if isinstance(listed, list) else [listed]:
            if isinstance(one, dict) and isinstance(one.get("value"), str):
                match = Match.identifier(request.type, str(one.get("system", "")), one["value"])
                found[match.name].add(targets[request.number][1])
    return found


def _answer(
    link: _Link,
    match: Match,
    found: Mapping[str, Sequence[str]],
    at_hand: Mapping[str, set[str]],
    ended: set[Key | None],
) -> str:
    ids = {*found[match.name], *at_hand.get(match.name, ())}
    ids = {id_ for id_ in ids if (match.type, id_) not in ended}
    if len(ids) != 1:
        many = "More than one" if ids else "No"
        raise Conflict.at(link.place, f"{many} {match.type} meets {match.text}.")
    return f"{match.type}/{ids.pop()}"
