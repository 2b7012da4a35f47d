"""Progress bars on standard error, so that standard output stays clean."""

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from time import monotonic

from rich.console import Console
from rich.progress import (
    BarColumn,
    DownloadColumn,
    MofNCompleteColumn,
    Progress,
    ProgressColumn,
    SpinnerColumn,
    TaskID,
    TextColumn,
)

_console = Console(stderr=True)


@contextmanager
def bytes_bar(title: str, total: int) -> Iterator[Callable[[int], None]]:
    """A bar over bytes; gives a function to be told of each piece read."""
    columns = (TextColumn("{task.description}"), BarColumn(), DownloadColumn())
    with _progress(*columns) as bar:
        task = bar.add_task(title, total=total)
        yield lambda size: bar.advance(task, size)


@contextmanager
def rows_bar(
    title: str, total: int
) -> Iterator[tuple[Callable[[int], None], Callable[[int], None]]]:
    """A bar over bytes that also shows rows and how many a second; gives functions to be told of
    each piece read, and of how many more rows are done."""
    columns = (TextColumn("{task.description}"), BarColumn(), DownloadColumn(), _rate())
    with _progress(*columns) as bar:
        task = bar.add_task(title, total=total, rows=0, rate=0)
        yield lambda size: bar.advance(task, size), _counter(bar, task)


@contextmanager
def rate_bar(title: str) -> Iterator[Callable[[int], None]]:
    """How many are done and how many a second, where nobody knows how many there are; gives a
    function to be told of how many more are done."""
    with _progress(SpinnerColumn(), TextColumn("{task.description}"), _rate()) as bar:
        yield _counter(bar, bar.add_task(title, total=None, rows=0, rate=0))


@contextmanager
def count_bar(title: str, total: int) -> Iterator[Callable[[], None]]:
    """A bar over things; gives a function to be called once for each that is done."""
    columns = (TextColumn("{task.description}"), BarColumn(), MofNCompleteColumn())
    with _progress(*columns) as bar:
        task = bar.add_task(title, total=total)
        yield lambda: bar.advance(task)


def _rate() -> ProgressColumn:
    return TextColumn("{task.fields[rows]}, {task.fields[rate]:.0f} a second")


def _counter(bar: Progress, task: TaskID) -> Callable[[int], None]:
    began, rows = monotonic(), 0

    def done(more: int) -> None:
        nonlocal rows
        rows += more
        bar.update(task, rows=rows, rate=rows / max(monotonic() - began, 0.001))

    return done


def _progress(*columns: ProgressColumn) -> Progress:
    """Nothing is drawn where nobody looks."""
    return Progress(*columns, console=_console, transient=True, disable=not _console.is_terminal)
