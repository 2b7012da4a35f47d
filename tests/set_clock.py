"""A clock for tests."""

from datetime import UTC, datetime, timedelta


class Clock:
    """Stands still until it is moved."""

    def __init__(self) -> None:
        self.now = datetime(2031, 3, 9, 12, 0, tzinfo=UTC)

    def __call__(self) -> datetime:
        return self.now

    def move(self, **by: float) -> None:
        self.now += timedelta(**by)
