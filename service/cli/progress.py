"""Progress bars on standard error, so that standard output stays clean."""

from collections.abc import Callable, Iterator
from contextlib import contextmanager

from rich.console import Console
from rich.progress import BarColumn, DownloadColumn, MofNCompleteColumn, Progress, TextColumn

_console = Console(stderr=True)


@contextmanager
def bytes_bar(title: str, total: int) -> Iterator[Callable[[int], None]]:
    """A bar over bytes; gives a function to be told of each piece read."""
    columns = (TextColumn("{task.description}"), BarColumn(), DownloadColumn())
    with Progress(*columns, console=_console, transient=True) as bar:
        task = bar.add_task(title, total=total)
        yield lambda size: bar.advance(task, size)


@contextmanager
def count_bar(title: str, total: int) -> Iterator[Callable[[], None]]:
    """A bar over things; gives a function to be called once for each that is done."""
    columns = (TextColumn("{task.description}"), BarColumn(), MofNCompleteColumn())
    with Progress(*columns, console=_console, transient=True) as bar:
        task = bar.add_task(title, total=total)
        yield lambda: bar.advance(task)
