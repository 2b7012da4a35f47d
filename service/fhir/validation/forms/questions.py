"""A Questionnaire as a tree of questions, and what can be wrong with the tree itself."""

from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any

from service.fhir.json import JsonObject
from service.fhir.outcome import shown
from service.fhir.validation.report import Report
from service.fhir.validation.scope import Scope


@dataclass(slots=True, eq=False)
class Question:
    """One item of a Questionnaire with those below it."""

    item: JsonObject
    path: str
    parent: "Question | None" = None
    below: "list[Question]" = field(default_factory=list)

    @property
    def link(self) -> str:
        """Its linkId, empty where there is none."""
        return str(self.item.get("linkId", ""))

    @property
    def kind(self) -> str:
        """Its type: group, display, boolean and so on."""
        return str(self.item.get("type", ""))

    def all(self) -> "Iterator[Question]":
        """It and everything below it."""
        yield self
        for question in self.below:
            yield from question.all()

    def extension(self, url: str) -> list[Any]:
        """The values of its extensions of one URL."""
        return extension_values(self.item, url)


def extension_values(element: JsonObject, url: str) -> list[Any]:
    """The values of an element's extensions of one URL."""
    listed = element.get("extension")
    return [
        next((v for k, v in extension.items() if k.startswith("value")), None)
        for extension in (listed if isinstance(listed, list) else [])
        if isinstance(extension, dict) and extension.get("url") == url
    ]


def questions(holder: JsonObject, path: str, parent: Question | None = None) -> list[Question]:
    """The questions that a Questionnaire or an item of one holds."""
    listed = holder.get("item")
    found = []
    for index, item in enumerate(listed if isinstance(listed, list) else []):
        if isinstance(item, dict):
            question = Question(item, f"{path}.item[{index}]", parent)
            question.below = questions(item, question.path, question)
            found.append(question)
    return found


def questionnaire_faults(scope: Scope, report: Report) -> None:
    """Report conditions that ask about a question that is not there, or about their own item."""
    if scope.type != "Questionnaire":
        return
    everything = [q for top in questions(scope.resource, scope.path) for q in top.all()]
    known = {question.link for question in everything}
    for question in everything:
        own = {inner.link for inner in question.all()}
        for row in conditions(question):
            asked = row.get("question")
            if not isinstance(asked, str):
                continue  # its type is found wrong where types are judged
            if asked not in known:
                text = f"found {shown(asked)}, expected the linkId of an item"
                report.add("error", "not-found", question.path, text, "enable-when")
            elif asked in own:
                text = f"{shown(asked)} is the item itself or in it, so it is never enabled"
                report.add("error", "business-rule", question.path, text, "enable-when")


def conditions(question: Question) -> list[JsonObject]:
    """The enableWhen of a question."""
    listed = question.item.get("enableWhen")
    return [row for row in listed if isinstance(row, dict)] if isinstance(listed, list) else []
