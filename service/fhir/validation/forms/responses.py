"""A QuestionnaireResponse against its Questionnaire, where that is at hand."""

from service.fhir.definitions import Definitions
from service.fhir.json import JsonObject
from service.fhir.outcome import shown
from service.fhir.validation.forms.answers import answer_faults, exclusive_faults, value_set
from service.fhir.validation.forms.enabling import Place, is_enabled, listed
from service.fhir.validation.forms.questions import Question, questions
from service.fhir.validation.report import Report
from service.fhir.validation.scope import Scope

_MIN = "http://hl7.org/fhir/StructureDefinition/questionnaire-minOccurs"
_MAX = "http://hl7.org/fhir/StructureDefinition/questionnaire-maxOccurs"
_FINISHED = frozenset({"completed", "amended"})


def response_faults(scope: Scope, definitions: Definitions, report: Report) -> None:
    """Report what does not fit the Questionnaire; one that is not known is not checked."""
    if scope.type != "QuestionnaireResponse":
        return
    questionnaire = _questionnaire(scope, definitions)
    if questionnaire is not None:
        tops = questions(questionnaire, "Questionnaire")
        known = {question.link: question for top in tops for question in top.all()}
        _Response(scope, definitions, report, known).check(tops)


def _questionnaire(scope: Scope, definitions: Definitions) -> JsonObject | None:
    canonical = scope.resource.get("questionnaire")
    if not isinstance(canonical, str):
        return None
    if canonical.startswith("#"):
        found = scope.resolve(canonical)
        return found.resource if found is not None and found.type == "Questionnaire" else None
    loaded = definitions.find(canonical)
    return loaded if loaded is not None and loaded["resourceType"] == "Questionnaire" else None


class _Response:
    """One response: its items walked beside the questions."""

    def __init__(
        self, scope: Scope, definitions: Definitions, report: Report, known: dict[str, Question]
    ) -> None:
        self._scope, self._definitions, self._report = scope, definitions, report
        self._known = known
        status = scope.resource.get("status")
        self._finished = isinstance(status, str) and status in _FINISHED

    def check(self, tops: list[Question]) -> None:
        root = self._scope.resource
        self._items(tops, root, self._scope.path, Place(root))

    def _items(self, expected: list[Question], holder: JsonObject, path: str, place: Place) -> None:
        """The items that a response, an item or an answer holds, against the questions there."""
        by_link = {question.link: question for question in expected}
        met: dict[str, list[tuple[JsonObject, str]]] = {question.link: [] for question in expected}
        last = -1
        order = {link: number for number, link in enumerate(by_link)}
        for index, item in enumerate(listed(holder, "item")):
            where, link = f"{path}.item[{index}]", item.get("linkId")
            if not isinstance(link, str) or link not in by_link:
                self._misplaced(link, where)
                continue
            if order[link] < last:
                text = f"{shown(link)} comes before the item it follows in the Questionnaire"
                self._report.add("error", "structure", where, text, "item-order")
            last = max(last, order[link])
            met[link].append((item, where))
        for link, question in by_link.items():
            self._question(question, met[link], path, place)

    def _misplaced(self, link: object, where: str) -> None:
        if isinstance(link, str) and link in self._known:
            text = f"{shown(link)} stands elsewhere in the Questionnaire"
            self._report.add("error", "structure", where, text, "item-place")
        elif isinstance(link, str):
            text = f"{shown(link)} is not in the Questionnaire"
            self._report.add("error", "not-found", where, text, "item-unknown")

    def _question(
        self, question: Question, met: list[tuple[JsonObject, str]], path: str, place: Place
    ) -> None:
        if not is_enabled(question, place):
            for item, where in met:
                if _says_something(item):
                    text = f"{shown(question.link)} is not enabled but answered"
                    self._report.add("error", "invariant", where, text, "item-disabled")
            return
        if not met:
            self._absent(question, path)
        if question.kind == "group" and len(met) > 1 and question.item.get("repeats") is not True:
            text = f"{shown(question.link)} is there {len(met)} times and does not repeat"
            self._report.add("error", "structure", met[1][1], text, "item-repeats")
        for item, where in met:
            self._item(question, item, where, place)

    def _absent(self, question: Question, path: str) -> None:
        if self._finished and question.item.get("required") is True:
            text = f"there is no answer to {shown(question.link)}"
            self._report.add("error", "required", path, text, "item-required")

    def _item(self, question: Question, item: JsonObject, where: str, place: Place) -> None:
        answers = listed(item, "answer")
        if question.kind in {"group", "display"}:
            if answers:
                text = f"a {question.kind} has no answers"
                self._report.add("error", "structure", where, text, "item-answers")
            self._items(question.below, item, where, Place(item, place))
            return
        self._amount(question, answers, where)
        codes = value_set(question, self._definitions)
        for index, answer in enumerate(answers):
            at = f"{where}.answer[{index}]"
            for code, text, key in answer_faults(question, answer, codes):
                self._report.add("error", code, at, text, key)
            self._items(question.below, answer, at, Place(answer, Place(item, place)))
        for index, (code, text, key) in exclusive_faults(question, answers):
            self._report.add("error", code, f"{where}.answer[{index}]", text, key)
        if listed(item, "item") and not question.below:
            self._items([], item, where, place)

    def _amount(self, question: Question, answers: list[JsonObject], where: str) -> None:
        count = len(answers)
        if not count:
            self._absent(question, where)
        if count > 1 and question.item.get("repeats") is not True:
            text = f"found {count} answers to a question that does not repeat"
            self._report.add("error", "structure", where, text, "answer-repeats")
        for least in question.extension(_MIN):
            if self._finished and isinstance(least, int) and count < least:
                text = f"found {count} answers, expected at least {least}"
                self._report.add("error", "structure", where, text, "answer-min")
        for most in question.extension(_MAX):
            if isinstance(most, int) and count > most:
                text = f"found {count} answers, expected at most {most}"
                self._report.add("error", "structure", where, text, "answer-max")


def _says_something(item: JsonObject) -> bool:
    return bool(listed(item, "answer")) or any(
        _says_something(inner) for inner in listed(item, "item")
    )
