"""Whether a question is asked at all, given the answers so far (R4 enableWhen).

A condition looks for its question from where it stands outwards: first among the items around it,
then around those, so that each repetition of a group answers for itself.
"""

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from decimal import Decimal
from typing import Any

from service.fhir.json import JsonObject
from service.fhir.validation.forms.answers import value_of
from service.fhir.validation.forms.questions import Question, conditions
from service.fhir.validation.matching import same
from service.fhir.validation.values import surely_below


@dataclass(slots=True)
class Place:
    """Where in a response a question stands: the object whose items are there, and outwards."""

    holder: JsonObject
    outer: "Place | None" = None
    _items: dict[str, list[JsonObject]] | None = None

    def items(self, link: Any) -> list[JsonObject]:
        """The items of one linkId below the holder, at any depth."""
        if self._items is None:
            self._items = {}
            for item in _below(self.holder):
                if isinstance(item.get("linkId"), str):
                    self._items.setdefault(item["linkId"], []).append(item)
        return self._items.get(link, []) if isinstance(link, str) else []


def is_enabled(question: Question, place: Place) -> bool:
    """Whether the conditions of a question are met; a question without any is always asked."""
    rows = conditions(question)
    if not rows:
        return True
    met = [_met(row, place) for row in rows]
    return any(met) if question.item.get("enableBehavior") == "any" else all(met)


def _met(row: JsonObject, place: Place) -> bool:
    answers = list(_answers(row.get("question"), place))
    wanted = next(((k, v) for k, v in row.items() if k.startswith("answer")), ("", None))[1]
    if row.get("operator") == "exists":
        return bool(answers) is (wanted is not False)
    compare = _OPERATORS.get(str(row.get("operator")))
    if compare is None:
        return True
    if row.get("operator") == "!=":
        return not any(_equal(answer, wanted) for answer in answers)
    return any(compare(answer, wanted) for answer in answers)


def _answers(link: Any, place: Place) -> Iterator[Any]:
    at: Place | None = place
    while at is not None:
        found = at.items(link)
        if found:
            for item in found:
                yield from (value_of(answer)[1] for answer in listed(item, "answer"))
            return
        at = at.outer


def _below(holder: JsonObject) -> Iterator[JsonObject]:
    for item in listed(holder, "item"):
        yield item
        yield from _below(item)
        for answer in listed(item, "answer"):
            yield from _below(answer)


def listed(holder: JsonObject, name: str) -> list[JsonObject]:
    """The objects of an array property."""
    value = holder.get(name)
    return [part for part in value if isinstance(part, dict)] if isinstance(value, list) else []


def _equal(answer: Any, wanted: Any) -> bool:
    if isinstance(answer, dict) and isinstance(wanted, dict):
        keys = [key for key in ("system", "code", "value", "reference") if key in wanted]
        return all(answer.get(key) == wanted.get(key) for key in keys)
    if isinstance(answer, int | Decimal) and isinstance(wanted, int | Decimal):
        return bool(answer == wanted)
    return same(answer, wanted)


_OPERATORS: dict[str, Callable[[Any, Any], bool]] = {
    "=": _equal,
    "!=": lambda answer, wanted: not _equal(answer, wanted),
    ">": lambda answer, wanted: surely_below(wanted, answer),
    "<": surely_below,
    ">=": lambda answer, wanted: not surely_below(answer, wanted),
    "<=": lambda answer, wanted: not surely_below(wanted, answer),
}
