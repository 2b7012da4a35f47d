"""The service as processes: one, or several workers behind one socket.

The parent of several workers opens everything once before any of them starts, so that what is
wrong is said once and the store is brought up to date once, and binds the socket that they share.
"""

import gc
import os
import signal
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from multiprocessing import parent_process
from multiprocessing.connection import wait
from tempfile import TemporaryDirectory
from typing import Any

import uvicorn
from starlette.types import Receive, Scope, Send
from uvicorn.supervisors import Multiprocess

from service.api.app import Application, create_app
from service.api.logs import configure
from service.api.metrics import SHARED
from service.compose import open_services
from service.settings import Settings, check_binding
from service.wire import OnePiece

_DRAIN_SECONDS = 30
"""How long requests under way may take to end once the service was told to stop."""
_PATIENCE_SECONDS = 30
"""A worker that does not answer its parent for so long is replaced."""


def serve(settings: Settings) -> None:
    """Serve until stopped. Raises ``OpenAccessError`` before anything is opened."""
    check_binding(settings)
    if settings.workers == 1:
        signal.signal(signal.SIGTERM, _leave)
        with open_services(settings) as services:
            settle_memory()
            uvicorn.Server(server_config(create_app(services), settings)).run()
        return
    configure()
    with open_services(settings):
        pass
    with _counted_together():
        config = server_config(Worker(settings), settings)
        Multiprocess(config, sockets=[config.bind_socket()]).run()


def _leave(*_: object) -> None:
    """Closes what is open. The server raises the signal that told it to stop once more at its end,
    and by itself that would end the process on the spot."""
    sys.exit(0)


class Worker:
    """The application in one of several processes: opened as its server starts, closed at its end.

    Goes to that process as its settings only.
    """

    def __init__(self, settings: Settings) -> None:
        self._settings = settings
        self._app: Application | None = None

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if self._app is not None:
            await self._app(scope, receive, send)
            return
        _end_with_parent()
        with open_services(self._settings) as services:
            self._app = create_app(services)
            settle_memory()
            await self._app(scope, receive, send)  # the server's whole life


class _Config(uvicorn.Config):
    """Sets up our log lines in whichever process the server runs."""

    def configure_logging(self) -> None:
        super().configure_logging()
        configure()


def server_config(app: Any, settings: Settings) -> uvicorn.Config:
    return _Config(
        app,
        host=settings.host,
        port=settings.port,
        workers=settings.workers,
        http=OnePiece,
        lifespan="on",
        access_log=False,  # its lines would hold ids of children
        log_config=None,
        server_header=False,
        proxy_headers=False,  # a header must not say who asks, or by which road
        timeout_graceful_shutdown=_DRAIN_SECONDS,
        timeout_worker_healthcheck=_PATIENCE_SECONDS,
    )


@contextmanager
def _counted_together() -> Iterator[None]:
    """A folder in which the processes that are started from now on add up what they count."""
    with TemporaryDirectory(prefix="airway-metrics-") as folder:
        os.environ[SHARED] = folder
        try:
            yield
        finally:
            del os.environ[SHARED]


def _end_with_parent() -> None:
    """A worker whose parent was killed is not left behind with the port."""
    parent = parent_process()
    if parent is None:
        return

    def watch() -> None:
        wait([parent.sentinel])
        os.kill(os.getpid(), signal.SIGTERM)

    threading.Thread(target=watch, name="parent", daemon=True).start()


def settle_memory() -> None:
    """What was made by now stays; the collector need not look through it again and again."""
    gc.collect()
    gc.freeze()
    gc.set_threshold(50_000, 20, 50)
