"""The id of a request: the client's own where it can be used, else one made here.

R4 http.html#custom: the answer carries ``X-Request-Id``; where the client's own was not taken, it
goes back as ``X-Correlation-Id``.
"""

import re
from collections.abc import Mapping
from itertools import count
from secrets import token_hex

Header = tuple[bytes, bytes]

_USABLE = re.compile(rb"[A-Za-z0-9\-.]{1,64}")
"""R4's own rule for ids (datatypes.html#id), so that nothing else gets into a log line."""
_SENT_BACK = re.compile(rb"[\x21-\x7e]{1,256}")


class Ids:
    """Gives every request an id: a part that is this process's own, and a number."""

    def __init__(self) -> None:
        self._own = token_hex(8)
        self._numbers = count(1)

    def of(self, headers: Mapping[bytes, bytes]) -> tuple[str, list[Header]]:
        """The id, and the headers that tell it to the client."""
        sent = headers.get(b"x-request-id")
        if sent is not None and _USABLE.fullmatch(sent):
            return sent.decode(), [(b"x-request-id", sent)]
        id_ = f"{self._own}-{next(self._numbers):x}"
        told = [(b"x-request-id", id_.encode())]
        if sent is not None and _SENT_BACK.fullmatch(sent):
            told.append((b"x-correlation-id", sent))
        return id_, told
