"""Who the programme is about and who answers for it."""

import re
from collections.abc import Iterator

from service.programme.checks.problems import Problem, refused
from service.programme.checks.view import View
from service.programme.moments import day_of, earliest

_REFERENCE = re.compile(r"[A-Z][A-Za-z]{1,63}/[A-Za-z0-9.\-]{1,64}", re.ASCII)


def people_problems(programme: View) -> Iterator[Problem]:
    """Child, author, team and its members, diagnoses."""
    child = programme.part("child")
    yield from one_way(child, "identifier", "name", "birthDate", "sex", "language")
    if child.present and not child.has("reference") and not child.has("identifier"):
        yield refused(child.at("identifier"), "child-identifier", None, "at least one identifier")
    yield from _born_before(child, programme)
    team = programme.part("team")
    yield from described(team, ("name",), ("name", "phone", "member"))
    for professional in (programme.part("author"), *team.parts("member")):
        yield from described(professional, ("name", "identifier"), ("name", "identifier", "role"))
    for diagnosis in programme.parts("diagnosis"):
        yield from described(diagnosis, ("condition",), ("condition",))


def described(who: View, needed: tuple[str, ...], fields: tuple[str, ...]) -> Iterator[Problem]:
    """Somebody who is either referred to or described by one of ``needed`` at least."""
    yield from one_way(who, *fields)
    if who.present and not who.has("reference") and not any(map(who.has, needed)):
        yield refused(who.path, "who-it-is", None, f"reference or {' or '.join(needed)}")


def one_way(who: View, *description: str) -> Iterator[Problem]:
    """Somebody whom the record knows is referred to and not described again."""
    reference = who.value("reference")
    if reference is not None and not _REFERENCE.fullmatch(reference):
        yield refused(who.at("reference"), "bad-reference", reference, "Type/id")
    if not who.has("reference"):
        return
    for name in filter(who.has, description):
        expected = "the reference alone"
        yield refused(who.at(name), "reference-and-description", who.raw[name], expected)


def _born_before(child: View, programme: View) -> Iterator[Problem]:
    birth, start = child.value("birthDate"), programme.value("start")
    if birth is not None and start is not None and day_of(start) < earliest(birth):
        found = programme.raw["start"]
        yield refused(programme.at("start"), "before-birth", found, "after the birth")
