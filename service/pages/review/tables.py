"""What the page says in words and tables: the same as the charts, for who does not see them."""

from collections.abc import Sequence
from itertools import groupby

from service.pages.review.speech import Speech
from service.pages.review.strip import DONE_UNASKED, LEGEND
from service.pages.review.terms import AMOUNTS, BLOOD, COLOURS, SIGNS, STEPS
from service.programme.adherence.days import Day
from service.programme.adherence.figures import Figure
from service.programme.adherence.trend import FEWEST_WEEKS, Trend
from service.programme.course import CourseWeek, Sign, Spread
from service.programme.review import TechniqueReview


class Tables:
    """Cells and sentences, in one language."""

    def __init__(self, speech: Speech) -> None:
        self._speech = speech

    def day(self, day: Day) -> str:
        """What a day's sign says."""
        if day.sessions and not day.due and day.kind in ("not-due", "paused"):
            return self._speech.text(DONE_UNASKED)
        return self._speech.text(LEGEND[day.kind]) if day.kind in LEGEND else ""

    def counts(self, figure: Figure) -> str:
        """For example "14 of 21"."""
        done = self._speech.number(round(float(figure.numerator), 1))
        return self._speech.text("{done} of {due}", done=done, due=figure.denominator)

    def spread(self, spread: Spread | None, *, share: bool = False) -> str:
        """Middle, least and greatest, and of how many sessions; empty for none."""
        if spread is None:
            return ""
        shown = self._speech.share if share else self._speech.number
        if spread.low == spread.high:
            return self._speech.text("{middle} (n {n})", middle=shown(spread.middle), n=spread.n)
        return self._speech.text(
            "{middle} ({low} to {high}; n {n})",
            middle=shown(spread.middle), low=shown(spread.low), high=shown(spread.high), n=spread.n,
        )  # fmt: skip

    def sputum(self, week: CourseWeek) -> tuple[str, ...]:
        """Volume, amount and colours of a week, as far as they are told."""
        told = []
        if week.volume is not None:
            told.append(self._speech.text("{volume} mL", volume=self.spread(week.volume)))
        if week.amount is not None:
            told.append(self._amounts(week.amount))
        told += [
            self._speech.text("{what} {n}", what=self._speech.name(colour, COLOURS), n=times)
            for colour, times in sorted(week.colours.items(), key=lambda one: -one[1])
        ]
        return tuple(told)

    def _amounts(self, amount: Spread) -> str:
        words = [self._speech.text(word) for word in AMOUNTS.values()]
        low, high = words[int(amount.low)], words[int(amount.high)]
        if low == high:
            return self._speech.text("{middle} (n {n})", middle=low, n=amount.n)
        return self._speech.text("{low} to {high} (n {n})", low=low, high=high, n=amount.n)

    def trend(self, trend: Trend | None) -> tuple[str, ...]:
        """The trend and its test, or why there is none."""
        text = self._speech.text
        if trend is None:
            needed = text(
                "No trend is worked out: it needs {n} whole weeks that have a figure and a log.",
                n=FEWEST_WEEKS,
            )
            return (needed,)
        directions = {
            "rising": text("The weekly share rises"),
            "falling": text("The weekly share falls"),
            "no trend shown": text(
                "The weekly share shows no trend, which does not say there is none"
            ),
        }
        slope = self._speech.number(round(trend.slope_per_week * 100, 1))
        told = text(
            "{direction}: {slope} percentage points a week over {weeks} weeks (Mann-Kendall test, "
            "tau-b {tau}, p {p}; slope by Theil and Sen).",
            direction=directions[trend.direction], slope=slope, weeks=trend.weeks,
            tau=f"{trend.tau:.2f}", p=_p(trend.p),
        )  # fmt: skip
        left_out = self._speech.words.plural(
            "{n} week without any log is left out.",
            "{n} weeks without any log are left out.",
            trend.silent_weeks,
        )
        return (told, left_out) if trend.silent_weeks else (told,)

    def sign(self, sign: Sign) -> str:
        """What a log names, in the words of the log where it has any."""
        name, session = self._speech.text(SIGNS[sign.kind]), sign.session
        more: list[str] = []
        if sign.kind == "blood" and session.blood is not None:
            more.append(self._speech.name(session.blood.seen, BLOOD))
            if session.blood.volume is not None:
                volume = self._speech.number(session.blood.volume)
                more.append(self._speech.text("{volume} mL", volume=volume))
            if session.blood.scheme is not None:
                more.append(self._speech.words.quoted(session.blood.scheme))
        if sign.kind == "stopped-early" and session.stopped_early is not None:
            more.append(self._speech.words.quoted(session.stopped_early))
        if sign.doubtful:
            more.append(self._speech.text("clock in doubt"))
        return self._speech.words.joined([name, *more])

    def steps(self, review: TechniqueReview) -> Sequence[tuple[str, str]]:
        """What to work on first: not yet, prompted, seen; each with its steps."""
        text = self._speech.text
        groups = {"not-yet": text("Not yet"), "prompted": text("Prompted"), "seen": text("Seen")}
        order = list(groups)
        steps = sorted(review.step, key=lambda one: order.index(one.shown))
        return [
            (
                groups[shown],
                self._speech.words.joined(self._speech.name(one.step, STEPS) for one in ones),
            )
            for shown, ones in groupby(steps, key=lambda one: one.shown)
        ]

    @staticmethod
    def bar(figure: Figure) -> tuple[float, float, float] | None:
        """Score and ends of the interval in hundredths, for a small drawing beside the number."""
        if figure.score is None:
            return None
        low = figure.score if figure.low is None else figure.low
        high = figure.score if figure.high is None else figure.high
        return round(figure.score * 100, 1), round(low * 100, 1), round(high * 100, 1)


def _p(p: float) -> str:
    return "< 0.001" if p < 0.001 else f"{p:.3f}"
