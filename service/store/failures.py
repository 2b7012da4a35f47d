"""What an engine's errors mean to those who asked, and how units of work wait and end."""

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from threading import BoundedSemaphore

from sqlalchemy import exc
from sqlalchemy.engine import Connection

from service.store.contract import StoreAwayError, StoreBusyError

OTHERS_WRITE = "others have been writing for too long"

Judge = Callable[[BaseException], StoreAwayError | StoreBusyError | None]
"""What a driver's error says of the store; ``None``: nothing, the mistake is ours."""


@contextmanager
def meant(judge: Judge, *, settled: bool = True) -> Iterator[None]:
    """Turns a driver's errors into those that a store promises."""
    try:
        yield
    except exc.TimeoutError:
        raise StoreAwayError("all connections were in use for too long") from None
    except Exception as error:
        named = judge(error.orig if isinstance(error, exc.DBAPIError) and error.orig else error)
        if named is None:
            raise
        if isinstance(named, StoreAwayError):
            named.settled = settled
        raise named from None


@contextmanager
def turn(line: BoundedSemaphore, seconds: float) -> Iterator[None]:
    """A place among the units of this process that may go on. Raises StoreBusyError."""
    if not line.acquire(timeout=seconds):
        raise StoreBusyError(OTHERS_WRITE)
    try:
        yield
    finally:
        line.release()


@contextmanager
def transaction(connection: Connection, judge: Judge) -> Iterator[None]:
    """What was begun, committed at the end, or undone when an error leaves it."""
    try:
        yield
        with meant(judge, settled=False):
            connection.commit()
    except BaseException:
        connection.rollback()
        raise
