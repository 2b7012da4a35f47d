"""Single reads, gathered: those that came at the same time are asked for together.

A question to the store costs the same work around it for one resource as for a hundred; under load
many requests share that, and a request that is alone waits for nobody. A store that waits for
nobody is asked on the event loop: a thread beside it would fight with it for the interpreter at
every row, and cost more than the question. Any other is asked in threads, a few questions at once,
so that answers go out while the next are under way.
"""

import asyncio
from collections.abc import Callable, Sequence
from concurrent.futures import Future, ThreadPoolExecutor

from service.record import Actor, Record
from service.store.contract import Key, Version

MOST_AT_ONCE = 200
"""Reads in one look-up."""
_LOOK_UPS = 2
"""Under way at once, where they are asked in threads."""

Answer = Version | Exception
_Asked = tuple[Actor, Key]
_Waiting = tuple[_Asked, "asyncio.Future[Version]"]


class Reads:
    """Current versions out of one record. Belongs to the event loop that uses it.

    ``counted`` is told the size of every look-up.
    """

    def __init__(self, record: Record, counted: Callable[[int], None]) -> None:
        self._record = record
        self._counted = counted
        self._threads = None if record.prompt else ThreadPoolExecutor(_LOOK_UPS, "reads")
        self._waiting: list[_Waiting] = []
        self._gathering = False
        self._under_way = 0

    async def one(self, caller: Actor, type_: str, id_: str) -> Version:
        """The current version as ``caller`` may see it. Raises NotFound, Gone, as ``read`` does."""
        loop = asyncio.get_running_loop()
        future: asyncio.Future[Version] = loop.create_future()
        self._waiting.append(((caller, (type_, id_)), future))
        self._begin(loop)
        return await future

    def _begin(self, loop: asyncio.AbstractEventLoop) -> None:
        if not self._gathering and self._under_way < _LOOK_UPS:
            self._gathering = True
            loop.call_soon(self._gather, loop, len(self._waiting))

    def _gather(self, loop: asyncio.AbstractEventLoop, before: int) -> None:
        """Ask once a turn of the loop brings no more: a look-up that competes with the reading of
        requests slows both down."""
        if before < len(self._waiting) < MOST_AT_ONCE:
            loop.call_soon(self._gather, loop, len(self._waiting))
        else:
            self._gathering = False
            self._ask(loop)

    def _ask(self, loop: asyncio.AbstractEventLoop) -> None:
        some, self._waiting = self._waiting[:MOST_AT_ONCE], self._waiting[MOST_AT_ONCE:]
        self._counted(len(some))
        self._under_way += 1
        asked, waiting = [one for one, _ in some], [future for _, future in some]
        if self._threads is None:
            self._tell(loop, waiting, self._answers(asked))
            return

        def tell(done: Future[Sequence[Answer]]) -> None:
            loop.call_soon_threadsafe(self._tell, loop, waiting, done.result())

        self._threads.submit(self._answers, asked).add_done_callback(tell)

    def _answers(self, asked: Sequence[_Asked]) -> Sequence[Answer]:
        """A failure of the look-up itself is the answer to each."""
        try:
            return self._record.read_each(asked)
        except Exception as error:
            return [error] * len(asked)

    def _tell(
        self,
        loop: asyncio.AbstractEventLoop,
        waiting: Sequence["asyncio.Future[Version]"],
        answers: Sequence[Answer],
    ) -> None:
        for future, answer in zip(waiting, answers, strict=True):
            if future.done():  # its request was given up
                continue
            if isinstance(answer, Exception):
                future.set_exception(answer)
            else:
                future.set_result(answer)
        self._under_way -= 1
        if self._waiting:
            self._begin(loop)
