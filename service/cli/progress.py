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
    told = TextColumn("{task.fields[rows]} rows, {task.fields[rate]:.0f} a second")
    began, rows = monotonic(), 0
    columns = (TextColumn("{task.description}"), BarColumn(), DownloadColumn(), told)
    with _progress(*columns) as bar:
        task = bar.add_task(title, total=total, rows=0, rate=0)

        def done(more: int) -> None:
            nonlocal rows
            rows += more
            bar.update(task, rows=rows, rate=rows / max(monotonic() - began, 0.001))

        yield lambda size: bar.advance(task, size), done


@contextmanager
def count_bar(title: str, total: int) -> Iterator[Callable[[], None]]:
    """A bar over things; gives a function to be called once for each that is done."""
    columns = (TextColumn("{task.description}"), BarColumn(), MofNCompleteColumn())
    with _progress(*columns) as bar:
        task = bar.add_task(title, total=total)
        yield lambda: bar.advance(task)


def _progress(*columns: ProgressColumn) -> Progress:
    """Nothing is drawn where nobody looks."""
    return Progress(*columns, console=_console, transient=True, disable=not _console.is_terminal)
