"""Work spread over all cores: results in the order of the work, in a memory that does not grow.

A process that was given work ends with the one that gave it, however that ends.
"""

import gc
import os
import signal
import threading
from collections import deque
from collections.abc import Callable, Generator, Iterable, Iterator
from concurrent.futures import Future, ProcessPoolExecutor
from multiprocessing import current_process, get_context, parent_process
from multiprocessing.connection import wait
from typing import Any, Literal, TypeVar

Portion = TypeVar("Portion")
Result = TypeVar("Result")

Build = Callable[[], Callable[[Portion], Result]]
"""Gives each process what it does; a function of a module, so that processes can be handed it."""

Start = Literal["fork", "spawn"]
"""``fork`` builds once for all processes; ``spawn`` is for callers that have threads."""

_WAITING = 3
"""Portions under way for each process."""


def spread(
    portions: Iterable[Portion],
    build: Build[Portion, Result],
    *,
    here: Callable[[Portion], Result] | None = None,
    workers: int | None = None,
    start: Start = "fork",
) -> Generator[Result, None, None]:
    """What each portion comes to, in their order.

    ``workers`` are processes, by default one for each core at hand. One worker, or one portion
    only, is dealt with in this process, by ``here`` if it is built already. At most three portions
    for each worker are held at a time. Closing it stops the workers: do, when something fails.
    """
    remaining = iter(portions)
    first, second = next(remaining, _NONE), next(remaining, _NONE)
    if first is _NONE:
        return
    count = workers or len(os.sched_getaffinity(0))
    at_hand = _again([one for one in (first, second) if one is not _NONE], remaining)
    if second is _NONE or count == 1 or current_process().daemon:
        yield from map(here or build(), at_hand)
        return
    if start == "fork":
        _Worker.work = here or build()  # once, for all processes
    yield from _spread(at_hand, build, count, start)


_NONE: Any = object()


def _again(taken: list[Portion], others: Iterator[Portion]) -> Iterator[Portion]:
    yield from taken
    yield from others


def _spread(
    portions: Iterator[Portion], build: Build[Portion, Result], count: int, start: Start
) -> Generator[Result, None, None]:
    pool = ProcessPoolExecutor(
        count, mp_context=get_context(start), initializer=_begin, initargs=(build,)
    )
    waiting: deque[Future[Result]] = deque()
    try:
        for portion in portions:
            waiting.append(pool.submit(_work, portion))
            while waiting and (len(waiting) >= count * _WAITING or waiting[0].done()):
                yield waiting.popleft().result()
        while waiting:
            yield waiting.popleft().result()
    finally:
        pool.shutdown(cancel_futures=True)
        _Worker.work = None


class _Worker:
    """What a process keeps between portions."""

    work: Callable[[Any], Any] | None = None


def _begin(build: Build[Any, Any]) -> None:
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # the first process ends the others
    threading.Thread(target=_end_with_parent, daemon=True).start()
    _Worker.work = _Worker.work or build()
    gc.freeze()  # what was built stays: it need not be looked through again and again


def _end_with_parent() -> None:
    """A parent that was killed cannot stop its workers, and they would wait for work for ever."""
    parent = parent_process()
    if parent is not None:
        wait([parent.sentinel])
        os._exit(1)


def _work(portion: Any) -> Any:
    assert _Worker.work is not None  # noqa: S101  # each process is started with it
    return _Worker.work(portion)
