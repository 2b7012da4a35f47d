"""``_summary`` and ``_elements`` of a read or a history: what is left of each resource.

R4 has them for searches; they mean the same here (search.html#summary, #elements).
"""

from collections.abc import Collection, Sequence
from typing import Final, Literal, cast, get_args

from service.api.outcomes import refusal
from service.api.queries import Pair, only
from service.fhir.outcome import shown
from service.fhir.subset import Subset, Summary, unknown_elements

PARTS: Final = frozenset({"_summary", "_elements"})

_SUMMARIES: Final = (*get_args(Summary), "count")


def summary_in(pairs: Sequence[Pair]) -> Summary | Literal["count"]:
    """The kind of summary that is asked for. Raises 400 for none that R4 knows."""
    text = only(pairs, "_summary") or "false"
    if text not in _SUMMARIES:
        told = f"Found {shown(text)}, expected one of: {', '.join(_SUMMARIES)}."
        raise refusal(400, told, code="value", expression="http._summary")
    return cast("Summary | Literal['count']", text)


def part_of_resource(pairs: Sequence[Pair], types: Collection[str]) -> Subset:
    """What is left of a resource of one of these types. Raises 400."""
    summary = summary_in(pairs)
    if summary == "count":
        told = "One resource is not counted: true, text, data or false is expected."
        raise refusal(400, told, code="value", expression="http._summary")
    texts = (text for name, text in pairs if name == "_elements")
    names = frozenset(one for text in texts for one in text.split(",") if one)
    check_elements(names, types)
    return Subset(summary, names)


def check_elements(names: Collection[str], types: Collection[str]) -> None:
    """Raises 400 for a name that none of these types has at its root."""
    wrong = unknown_elements(sorted(names), types)
    if wrong:
        told = f"There is no element {shown(wrong[0])} at the root of {_some(types)}."
        raise refusal(400, told, code="value", expression="http._elements")


def _some(types: Collection[str]) -> str:
    return " or ".join(list(types)[:5])
