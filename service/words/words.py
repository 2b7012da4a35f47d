"""What a page says of a programme, in one language."""

from decimal import Decimal
from functools import cache

from service.programme.dose import Dose, Phase
from service.programme.plan import MedicineOrder, Regimen
from service.programme.schedule import Schedule
from service.words import terms
from service.words.doses import basis_in_words, dose_fields, interface_in_words, phase_in_words
from service.words.languages import language_of, offered
from service.words.lengths import length
from service.words.schedules import schedule_in_words
from service.words.wording import Wording, mark


class Words(Wording):
    """Plain words for schedules, doses and the trade's codes.

    Codes that have no words are shown as they are. What others wrote stands between the isolates
    of ``wording``.
    """

    def schedule(self, schedule: Schedule) -> str:
        """For example "3 times a week, on Monday, Wednesday and Friday"."""
        return schedule_in_words(self, schedule)

    def when(self, regimen: Regimen) -> str:
        """The schedule of a regimen, and whether it is as needed."""
        if not regimen.as_needed:
            return self.schedule(regimen.schedule or Schedule())
        if regimen.schedule is None:
            return self.text("when needed")
        return self.text("when needed, {schedule}", schedule=self.schedule(regimen.schedule))

    def dose(self, dose: Dose) -> tuple[str, ...]:
        """Every part of the dose, a sentence each, in the order of doing."""
        return tuple(line for lines in self.dose_fields(dose).values() for line in lines)

    def dose_fields(self, dose: Dose) -> dict[str, tuple[str, ...]]:
        """The same by the field of the dose."""
        return dose_fields(self, dose)

    def basis(self, dose: Dose) -> str:
        """By which part done is compared with prescribed."""
        return basis_in_words(self, dose)

    def phase(self, phase: Phase) -> tuple[str, ...]:
        """What is done in a phase, without its name."""
        return phase_in_words(self, phase)

    def minutes(self, minutes: Decimal) -> str:
        """For example "5 minutes"."""
        return length(self, minutes, "min")

    def medicine(self, order: MedicineOrder) -> str:
        """Which medicine comes when, and how many minutes apart."""
        medicine = self.quoted(order.medicine)
        if order.order == "during":
            told = self.text("{medicine}: at the same time", medicine=medicine)
            return (
                told if order.minutes is None else self.joined([told, self._apart(order.minutes)])
            )
        if order.minutes is None:
            before = order.order == "before"
            told = mark("{medicine}: before this") if before else mark("{medicine}: after this")
            return self.text(told, medicine=medicine)
        apart = self.minutes(order.minutes)
        if order.order == "before":
            return self.text("{medicine}: {length} before this", medicine=medicine, length=apart)
        return self.text("{medicine}: {length} after this", medicine=medicine, length=apart)

    def _apart(self, minutes: Decimal) -> str:
        return self.text("for {length}", length=self.minutes(minutes))

    def technique(self, code: str) -> str:
        """A technique's name for families."""
        return self._term(terms.TECHNIQUES, code)

    def position(self, code: str) -> str:
        """A position as an instruction."""
        return self._term(terms.POSITIONS, code)

    def device(self, kind: str) -> str:
        """A kind of device."""
        return self._term(terms.DEVICES, kind)

    def place(self, code: str) -> str:
        """Where something is done."""
        return self._term(terms.PLACES, code)

    def care(self, task: str) -> str:
        """What is done to a device."""
        return self._term(terms.CARE_TASKS, task)

    def caution(self, code: str) -> str:
        """A caution that was accepted."""
        return self._term(terms.CAUTIONS, code)

    def goal_measure(self, code: str) -> str:
        """What an aim is measured by."""
        return self._term(terms.GOAL_MEASURES, code)

    interface = interface_in_words

    def _term(self, known: terms.Terms, code: str) -> str:
        return self.text(known[code]) if code in known else self.quoted(code)


@cache
def _words(tag: str) -> Words | None:
    language = language_of(tag)
    return Words(language) if language else None


def words_of(*tags: str | None) -> Words:
    """Words in the first of the languages (BCP 47) that there are, or else in the source's."""
    found = (_words(tag) for tag in tags if tag)
    return next((words for words in found if words), None) or words_in_source()


def words_in_source() -> Words:
    """English."""
    words = _words(offered()[0])
    assert words is not None  # noqa: S101  (the source is always there)
    return words
