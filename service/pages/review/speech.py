"""How the review speaks: shares, short dates and the trade's own names, in one language."""

from collections.abc import Mapping
from datetime import date, datetime
from decimal import Decimal

from babel.dates import format_date, format_skeleton

from service.pages.review.terms import NAMES
from service.words import Words

_TENTH = Decimal("0.1")


class Speech:
    """Words, with what only the review needs."""

    def __init__(self, words: Words) -> None:
        self.words = words
        self._locale = words.language.locale
        self.rtl = words.language.direction == "rtl"

    def text(self, english: str, /, **values: str | int | Decimal | date) -> str:
        return self.words.text(english, **values)

    def number(self, number: float | int | Decimal) -> str:
        """At most one decimal."""
        exact = Decimal(str(number)).quantize(_TENTH).normalize()
        return self.words.number(exact if exact != exact.to_integral() else int(exact))

    def share(self, score: float, digits: int = 0) -> str:
        """A share as a percentage."""
        rounded = Decimal(str(score * 100)).quantize(Decimal(1).scaleb(-digits))
        return self.words.text("{n}%", n=rounded if digits else int(rounded))

    def interval(self, low: float | None, high: float | None, digits: int = 0) -> str:
        """Empty where there is none."""
        if low is None or high is None:
            return ""
        ends = (self.share(low, digits), self.share(high, digits))
        return self.words.text("{low} to {high}", low=ends[0], high=ends[1])

    def day(self, day: date) -> str:
        """Short: the month in letters, the year left out."""
        return format_skeleton("MMMd", day, locale=self._locale, fuzzy=True)

    def whole_day(self, day: date | datetime) -> str:
        """Short, with the year."""
        return format_skeleton("yMMMd", day, locale=self._locale, fuzzy=True)

    def partial(self, text: str) -> str:
        """A date that may lack its day or month, as it is written; a whole one as a day."""
        try:
            return self.words.day(date.fromisoformat(text))
        except ValueError:
            return self.words.quoted(text)

    def weekday(self, day: date) -> str:
        return format_date(day, "EEE", self._locale)

    def month(self, month: date, *, with_year: bool) -> str:
        return format_date(month, "MMM yy" if with_year else "MMM", self._locale)

    def name(self, code: str, names: Mapping[str, str] = NAMES) -> str:
        """A code in words; one without words as it is."""
        return self.words.text(names[code]) if code in names else self.words.quoted(code)
