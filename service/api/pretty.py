"""``_pretty=true``: an answer laid out for reading, with every digit as it was."""

import re
from collections.abc import Iterator

from starlette.requests import Request
from starlette.responses import Response

from service.api.outcomes import FHIR_JSON

_TOKEN = re.compile(rb'"(?:[^"\\]|\\.)*"|[\[\]{},:]|[^\s\[\]{},:"]+')
_INDENT = b"  "


def as_asked(request: Request, answer: Response) -> Response:
    """``answer`` laid out if the request says so and it is JSON; else as it is."""
    wanted = request.query_params.get("_pretty") == "true"
    if wanted and answer.media_type == FHIR_JSON and answer.body:
        answer.body = laid_out(bytes(answer.body))
        answer.headers["Content-Length"] = str(len(answer.body))
    return answer


def laid_out(text: bytes) -> bytes:
    """The same JSON, one member or element a line, indented. Only white space is changed."""
    return b"".join(_pieces(text))


def _pieces(text: bytes) -> Iterator[bytes]:
    depth, opened = 0, False
    for token in _TOKEN.findall(text):
        closes = token in (b"}", b"]")
        if closes:
            depth -= 1
        if opened != closes:  # an empty object or list stays together
            yield b"\n" + depth * _INDENT
        opened = token in (b"{", b"[")
        yield token
        if opened:
            depth += 1
        elif token == b",":
            yield b"\n" + depth * _INDENT
        elif token == b":":
            yield b" "
