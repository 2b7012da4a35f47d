"""What must hold of every answer, whatever was sent."""

import json
import re
from collections.abc import Callable, Iterator
from decimal import Decimal
from typing import Any

from shots import Answer, Shot

from service.fhir.json import JsonError, read

FHIR_JSON = "application/fhir+json"
_INSIDES = re.compile(
    rb"Traceback|File \\?\"|site-packages|sqlalchemy|psycopg|sqlite3|\.py\b|SELECT |asyncio"
)
_UNNUMBERED = re.compile(r"\[\d+\]")
_TOGETHER_ONLY = ("reference-target", "reference-type")
"""References to a wrong type are warnings, and errors where a Bundle happens to hold the target."""
Validate = Callable[[Any], list[Any]]
"""Findings about a resource; each has a ``severity``."""


class Laws:
    """Says what is wrong with an answer; nothing, when all is well."""

    def __init__(self, validate: Validate) -> None:
        self._validate = validate

    def broken(self, shot: Shot, answer: Answer) -> Iterator[str]:
        if answer.status >= 500:
            yield f"status {answer.status} {answer.fault}".strip()
            return
        if shot.method == "HEAD" or answer.status in (204, 304):
            if answer.body:
                yield "a body where there must be none"
            return
        if answer.status >= 400:
            yield from self._refusal(answer)
        else:
            yield from self._success(shot, answer)

    def _refusal(self, answer: Answer) -> Iterator[str]:
        if answer.headers.get("content-type", "").partition(";")[0] != FHIR_JSON:
            yield f"{answer.status} as {answer.headers.get('content-type')}"
        elif _INSIDES.search(answer.body):
            yield "a refusal that tells of the insides"
        else:
            yield from self._resource(answer.body, "OperationOutcome")
        if answer.status == 405 and "allow" not in answer.headers:
            yield "405 without Allow"

    def _success(self, shot: Shot, answer: Answer) -> Iterator[str]:
        kind = answer.headers.get("content-type", "").partition(";")[0]
        if answer.headers.get("content-disposition") == "attachment":
            return  # the content of a Binary: whatever somebody sent
        if kind == FHIR_JSON and answer.body:
            yield from self._resource(answer.body, None)
        elif kind.endswith("json") and answer.body and "ndjson" not in kind:
            try:
                json.loads(answer.body)
            except ValueError:
                yield "a success whose body is no JSON"
        if answer.status == 201 and shot.path.startswith("/fhir"):
            yield from (f"201 without {n}" for n in ("location", "etag") if n not in answer.headers)

    def _resource(self, body: bytes, type_: str | None) -> Iterator[str]:
        try:
            found = read(body)
        except JsonError as error:
            yield f"a body that cannot be read: {error}"
            return
        if not isinstance(found, dict) or type_ not in (None, found.get("resourceType")):
            yield f"no {type_ or 'resource'}"
        elif b"SUBSETTED" not in body:  # of parts of a resource much may be missing
            errors = [
                one
                for one in self._validate(found)
                if one.severity in ("error", "fatal") and one.key not in _TOGETHER_ONLY
            ]
            if errors:
                place = _UNNUMBERED.sub("", errors[0].expression)
                yield f"not valid: {place}: {errors[0].diagnostics}"


def what_is_said(body: bytes) -> Any:
    """A resource without what the server says of it; each number is the text of its digits."""
    value = json.loads(body, parse_float=_digits, parse_int=str)
    meta = {k: v for k, v in value.get("meta", {}).items() if k not in ("versionId", "lastUpdated")}
    rest = {name: part for name, part in value.items() if name not in ("meta", "id")}
    return rest | ({"meta": meta} if meta else {})


def _digits(number: str) -> str:
    """All its digits, however the exponent is written."""
    return str(Decimal(number))
