"""Progress bars on standard error, so that standard output stays clean."""

from collections.abc import Callable, Iterator
from contextlib import contextmanager

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
def count_bar(title: str, total: int) -> Iterator[Callable[[], None]]:
    """A bar over things; gives a function to be called once for each that is done."""
    columns = (TextColumn("{task.description}"), BarColumn(), MofNCompleteColumn())
    with _progress(*columns) as bar:
        task = bar.add_task(title, total=total)
        yield lambda: bar.advance(task)


def _progress(*columns: ProgressColumn) -> Progress:
    """Nothing is drawn where nobody looks."""
    return Progress(*columns, console=_console, transient=True, disable=not _console.is_terminal)
