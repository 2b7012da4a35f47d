"""Log lines as JSON on standard error, one object a line."""

import logging
import sys

import orjson
import structlog
from structlog.typing import Processor


class _Lines(structlog.BytesLogger):
    """Writes to standard error, and has the name that its lines are marked with."""

    def __init__(self, name: str = "airway") -> None:
        super().__init__(sys.stderr.buffer)
        self.name = name


def configure(level: int = logging.INFO) -> None:
    """Our own lines and those of the libraries, in one form. Called once, at start-up.

    Ours go straight to the stream: a line for every request must not cost as much as the request.
    """
    shared: list[Processor] = [
        structlog.stdlib.add_logger_name,
        structlog.processors.add_log_level,
        structlog.processors.TimeStamper(fmt="iso", utc=True),
    ]
    structlog.configure(
        processors=[*shared, structlog.processors.JSONRenderer(serializer=orjson.dumps)],
        wrapper_class=structlog.make_filtering_bound_logger(level),
        logger_factory=_Lines,
        cache_logger_on_first_use=True,
    )
    handler = logging.StreamHandler(sys.stderr)
    handler.setFormatter(
        structlog.stdlib.ProcessorFormatter(
            foreign_pre_chain=shared,
            processors=[
                structlog.stdlib.ProcessorFormatter.remove_processors_meta,
                structlog.processors.JSONRenderer(),
            ],
        )
    )
    root = logging.getLogger()
    root.handlers = [handler]
    root.setLevel(level)
