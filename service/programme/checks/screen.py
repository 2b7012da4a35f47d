"""The safety screen as it is written in a programme."""

from collections.abc import Iterator

from service.programme.checks.people import described, one_way
from service.programme.checks.problems import Problem, refused
from service.programme.checks.view import View
from service.programme.precautions import PRECAUTIONS

_SAYS = ("date", "by", "answer")


def screen_problems(screen: View) -> Iterator[Problem]:
    """Everything that is wrong with a screen, which may be absent."""
    yield from one_way(screen, *_SAYS)
    if not screen.present or screen.has("reference"):
        return
    for name in _SAYS:
        if not screen.has(name):
            yield refused(screen.at(name), "missing", None, "a value, or a reference alone")
    by = screen.part("by")
    yield from described(by, ("name", "identifier"), ("name", "identifier", "role"))
    for code in screen.value("answer") or ():
        if code not in PRECAUTIONS or PRECAUTIONS[code].question is None:
            asked = (one.code for one in PRECAUTIONS.values() if one.question)
            yield refused(
                screen.at("answer"), "unknown-precaution", code, f"one of {', '.join(asked)}"
            )
