"""Single reads, gathered: those that wait while one look-up runs are asked together in the next.

A look-up costs a hop to a thread and a question to the store, for one resource or for a hundred.
Under load many requests share that cost; a request that is alone waits for nobody.
"""

import asyncio
from collections.abc import Callable, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from functools import partial

from service.record import Actor, Record
from service.record.errors import RecordError
from service.store.contract import Key, Version

MOST_AT_ONCE = 200
"""Reads in one look-up."""

_Asked = tuple[Actor, Key]
_Waiting = tuple[_Asked, "asyncio.Future[Version]"]


class Reads:
    """Current versions out of one record. Belongs to the event loop that uses it.

    ``counted`` is told the size of every look-up.
    """

    def __init__(self, record: Record, counted: Callable[[int], None]) -> None:
        self._record = record
        self._counted = counted
        self._thread = ThreadPoolExecutor(1, thread_name_prefix="reads")
        self._waiting: list[_Waiting] = []
        self._busy = False

    async def one(self, caller: Actor, type_: str, id_: str) -> Version:
        """The current version as ``caller`` may see it. Raises NotFound, Gone, as ``read`` does."""
        loop = asyncio.get_running_loop()
        future: asyncio.Future[Version] = loop.create_future()
        self._waiting.append(((caller, (type_, id_)), future))
        if not self._busy:
            self._busy = True
            loop.call_soon(self._gather, loop, 1)
        return await future

    def _gather(self, loop: asyncio.AbstractEventLoop, before: int) -> None:
        """Ask once a turn of the loop brings no more: a look-up that competes with the reading of
        requests slows both down."""
        if before < len(self._waiting) < MOST_AT_ONCE:
            loop.call_soon(self._gather, loop, len(self._waiting))
        else:
            self._ask(loop)

    def _ask(self, loop: asyncio.AbstractEventLoop) -> None:
        some, self._waiting = self._waiting[:MOST_AT_ONCE], self._waiting[MOST_AT_ONCE:]
        self._counted(len(some))
        asked = [one for one, _ in some]
        tell = partial(self._tell, loop, [waiting for _, waiting in some])
        answer = self._thread.submit(self._record.read_each, asked)
        answer.add_done_callback(partial(loop.call_soon_threadsafe, tell))

    def _tell(
        self,
        loop: asyncio.AbstractEventLoop,
        waiting: Sequence["asyncio.Future[Version]"],
        done: Future[list[Version | RecordError]],
    ) -> None:
        error = done.exception()
        answers: Sequence[Version | BaseException] = (
            done.result() if error is None else [error] * len(waiting)
        )
        for future, answer in zip(waiting, answers, strict=True):
            if future.done():  # its request was given up
                continue
            if isinstance(answer, BaseException):
                future.set_exception(answer)
            else:
                future.set_result(answer)
        if self._waiting:
            self._ask(loop)
        else:
            self._busy = False
