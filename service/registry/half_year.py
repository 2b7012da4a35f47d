"""The fixed periods of releases: calendar half-years, so that no two releases overlap."""

import re
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta

from service.programme.moments import LAST_ZONE
from service.registry.errors import NotReleasable

_NAME = re.compile(r"([12][0-9]{3})-H([12])", re.ASCII)


@dataclass(frozen=True, slots=True)
class HalfYear:
    """``2026-H1`` is 1 January to 30 June 2026, ``2026-H2`` 1 July to 31 December."""

    year: int
    half: int

    @classmethod
    def parse(cls, text: str) -> "HalfYear":
        """Raises ``ValueError`` where ``text`` is not a half-year."""
        match = _NAME.fullmatch(text)
        if match is None:
            raise ValueError("a half-year such as 2026-H1 is expected")
        return cls(int(match[1]), int(match[2]))

    def __str__(self) -> str:
        return f"{self.year:04}-H{self.half}"

    @property
    def first(self) -> date:
        """Its first day."""
        return date(self.year, 1 if self.half == 1 else 7, 1)

    @property
    def last(self) -> date:
        """Its last day."""
        return date(self.year, 6, 30) if self.half == 1 else date(self.year, 12, 31)

    def check_over(self, now: datetime) -> None:
        """Raises ``NotReleasable`` unless the half-year is over in every time zone at ``now``."""
        ended = datetime.combine(self.last, time.max, UTC) + LAST_ZONE
        if now <= ended:
            raise NotReleasable(
                f"{self} is not over everywhere yet: its release can be made from "
                f"{self.last + timedelta(days=1)}T12:00:00Z."
            )
