"""The means of saying something in a language: messages, plurals, numbers, dates, lists."""

from collections.abc import Iterable, Sequence
from datetime import date, datetime, time
from decimal import Decimal

from babel.dates import format_date, format_time
from babel.lists import format_list
from babel.numbers import format_decimal

from service.words.directions import END_ISOLATE, ISOLATE, left_to_right
from service.words.languages import Language, catalogue

Value = str | int | Decimal | date | time

_ONE_OF_EACH_FORM = (1, 2, 3, 11, 100, 0)
_SPELT_OUT = (1, 2)
"""Numbers that a language may have a form of its own for, without the digit: once, twice."""


def mark(english: str) -> str:
    """Marks a message that is looked up later, so that it gets into the catalogue."""
    return english


def mark_plural(one: str, many: str) -> tuple[str, str]:
    """The same of a message with a plural."""
    return one, many


class Wording:
    """Messages are named by their English text; ``{name}`` in them stands for a value."""

    def __init__(self, language: Language) -> None:
        self.language = language
        self._messages = catalogue(language.catalogue)
        self._locale = language.locale

    def text(self, english: str, /, **values: Value) -> str:
        """A message with its values filled in; numbers and dates as the language writes them."""
        return self._filled(self._messages.gettext(english), values)

    def plural(self, one: str, many: str, n: int | Decimal, /, **values: Value) -> str:
        """A message about ``n`` of something; ``n`` fills ``{n}``."""
        return self._filled(self._form(one, many, n), {"n": n, **values})

    def number(self, number: int | Decimal) -> str:
        """Every digit that counts, and no separators of thousands.

        In figures 0 to 9 in every language, as they stand on devices.
        """
        return self._upright(
            format_decimal(
                number, locale=self._locale, decimal_quantization=False, group_separator=False
            )
        )

    def signed(self, number: Decimal) -> str:
        """A number that always shows its sign."""
        pattern = "+0.###;-0.###"
        return self._upright(
            format_decimal(number, pattern, self._locale, decimal_quantization=False)
        )

    def day(self, day: date) -> str:
        """A day with the month in letters, so that day and month cannot be mixed up."""
        return format_date(day, "long", self._locale)

    def clock(self, clock: time) -> str:
        """A clock time; seconds where there are any."""
        return format_time(clock, "medium" if clock.second else "short", locale=self._locale)

    def moment(self, moment: date | datetime) -> str:
        """A day, or an instant with its offset from UTC."""
        if not isinstance(moment, datetime):
            return self.day(moment)
        return self.text(
            "{day}, {clock} ({offset})",
            day=moment.date(),
            clock=self.clock(moment.timetz().replace(tzinfo=None)),
            offset=f"UTC{moment.isoformat()[-6:]}" if moment.utcoffset() else "UTC",
        )

    def listing(self, items: Iterable[str]) -> str:
        """Several things with an "and"."""
        return format_list(list(items), "standard", self._locale)

    def choice(self, items: Iterable[str]) -> str:
        """Several things with an "or"."""
        return format_list(list(items), "or", self._locale)

    def weekdays(self, days: Sequence[int]) -> str:
        """Names of days of the week, Monday is 0."""
        names = self._locale.days["format"]["wide"]
        return self.listing(names[day] for day in days)

    def quoted(self, text: str) -> str:
        """What somebody else wrote, apart from our own words."""
        plain = text.replace(ISOLATE, "").replace(END_ISOLATE, "")
        return f"{ISOLATE}{plain}{END_ISOLATE}"

    def joined(self, parts: Iterable[str]) -> str:
        """One thing after the other, with commas."""
        told = ""
        for part in parts:
            told = self.text("{first}, {next}", first=told, next=part) if told else part
        return told

    def _form(self, one: str, many: str, n: int | Decimal) -> str:
        """The plural form of a number, which must show the number unless it is spelt out."""
        whole = int(n) if n == int(n) else self._alike(n)
        form = self._messages.ngettext(one, many, whole)
        if "{n}" in form or "{n}" not in many or n in _SPELT_OUT:
            return form
        return self._messages.ngettext(one, many, _ONE_OF_EACH_FORM[-2])

    def _upright(self, number: str) -> str:
        """From right to left a sign would be drawn after its number; on devices it is before."""
        is_signed = number.startswith(("-", "+"))
        return left_to_right(number) if is_signed and self.language.direction == "rtl" else number

    def _alike(self, number: int | Decimal) -> int:
        """A whole number that takes the form which a fraction takes."""
        plural = self._locale.plural_form
        return next(one for one in _ONE_OF_EACH_FORM if plural(one) == plural(number))

    def _filled(self, message: str, values: dict[str, Value]) -> str:
        return message.format(**{name: self._shown(value) for name, value in values.items()})

    def _shown(self, value: Value) -> str:
        if isinstance(value, int | Decimal):
            return self.number(value)
        if isinstance(value, time):
            return self.clock(value)
        return self.moment(value) if isinstance(value, date) else value
