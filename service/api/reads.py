"""Single reads, gathered: those that came at the same time are asked for together.

A question to the store costs the same work around it for one resource as for a hundred; under load
many requests share that, and a request that is alone waits for nobody. A few questions are asked at
once, so that answers go out while the next are under way.
"""

import asyncio
from collections.abc import Callable, Sequence

from service.record import Actor, Record
from service.store.contract import Key, Version

MOST_AT_ONCE = 16
"""Reads in one look-up: of the work around it little is left for each by then, and while a database
answers one, others are answered."""
_LOOK_UPS = 4
"""Under way at once, so that answers go out while the next are looked up."""

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
        self._waiting: list[_Waiting] = []
        self._gathering = False
        self._under_way: set[asyncio.Task[None]] = set()

    async def one(self, caller: Actor, type_: str, id_: str) -> Version:
        """The current version as ``caller`` may see it. Raises NotFound, Gone, as ``read`` does."""
        loop = asyncio.get_running_loop()
        future: asyncio.Future[Version] = loop.create_future()
        self._waiting.append(((caller, (type_, id_)), future))
        self._begin(loop)
        return await future

    def _begin(self, loop: asyncio.AbstractEventLoop) -> None:
        if not self._gathering and len(self._under_way) < _LOOK_UPS:
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
        look_up = loop.create_task(self._look_up(some))
        self._under_way.add(look_up)
        look_up.add_done_callback(self._ended)

    async def _look_up(self, some: Sequence[_Waiting]) -> None:
        """A failure of the look-up itself is the answer to each."""
        answers: Sequence[Answer]
        try:
            answers = await self._record.read_each([asked for asked, _ in some])
        except Exception as error:
            answers = [error] * len(some)
        for (_, future), answer in zip(some, answers, strict=True):
            if future.done():  # its request was given up
                continue
            if isinstance(answer, Exception):
                future.set_exception(answer)
            else:
                future.set_result(answer)

    def _ended(self, look_up: "asyncio.Task[None]") -> None:
        self._under_way.discard(look_up)
        if self._waiting:
            self._begin(look_up.get_loop())
