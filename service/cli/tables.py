"""Figures as lines of text that a clinician can read across."""

from collections.abc import Iterable, Iterator

from service.programme.adherence import LONG_SILENCE, Adherence, Figure
from service.registry.publish import Release

_NOTHING = {
    "no-plan": "no plan",
    "no-schedule": "no schedule",
    "all-paused": "all paused",
    "no-daily-regimen": "none daily",
    "nothing-logged": "no log",
    "no-dose-basis": "no basis",
}
_HEAD = (
    f"{'child':<8}{'sessions done / due':<24}{'95% interval':<16}"
    f"{'days':>8}{'any':>8}{'logged':>8}{'dose':>8}{'paused':>8}{'unlogged':>10}{'silent':>8}"
)


def adherence_lines(children: Iterable[tuple[str, Adherence]]) -> Iterator[str]:
    """A heading, one line a child, and how to read them."""
    yield _HEAD
    for child, found in children:
        yield _line(child, found)
    yield "Sessions: matched to what was due; days: all done; any: some done; logged: on days with"
    yield "a log. One child's sessions are not independent, so read the interval as a rough guide."
    yield "Unlogged days count as not done in the scores; silence is not refusal: ask the family."
    yield f"Silent: days without a log in spells of {LONG_SILENCE} or more."


def _line(child: str, found: Adherence) -> str:
    sessions = found.figures["sessions"]
    silent = sum(spell.days for spell in found.silent_spells)
    counts = f"{int(sessions.numerator):>4} / {sessions.denominator:<4} {_score(sessions):>7}"
    others = "".join(f"{_score(found.figures[name]):>8}" for name in ("days", "any", "logged"))
    return (
        f"{child:<8}{counts:<24}{_interval(sessions):<16}{others}{_score(found.figures['dose']):>8}"
        f"{sessions.paused:>8}{found.unlogged_days:>10}{silent or '':>8}"
    ).rstrip()


def _score(figure: Figure) -> str:
    if figure.score is None:
        return _NOTHING[figure.reason] if figure.reason else "-"
    return f"{100 * figure.score:.1f}%"


def _interval(figure: Figure) -> str:
    if figure.low is None or figure.high is None:
        return ""
    return f"{100 * figure.low:.1f} to {100 * figure.high:.1f}"


def extract_lines(release: Release) -> Iterator[str]:
    """What a release holds, and by how much it was coarsened."""
    told = release.summary
    yield (
        f"k {told['k']} (asked {told['policy']['k']}), distinct adherence bands in a class "
        f"{told['distinctBands']}, {told['classes']} classes, {told['records']} children"
    )
    yield f"suppressed {told['suppressed']} children, share {told['suppressedShare']}"
    coarse = [f"{name} {at['level']}/{at['of']}" for name, at in told["levels"].items()]
    yield f"coarsened: {', '.join(coarse)}"
    yield str(told["notice"])
