"""From the text of a row to a resource that may be kept, or to what is wrong with it.

Nothing here needs the record: rows are made ready in processes of their own.
"""

import hashlib
from collections.abc import Collection, Sequence
from typing import Any

from service.fhir.json import JsonError, read
from service.fhir.outcome import Finding, has_errors, json_finding, shown
from service.fhir.positions import located
from service.record.bodies import LONGEST, unstamped
from service.record.bulk.rows import SentRow
from service.record.drafts import Index, Validates
from service.record.plans_sent import programmes_of
from service.record.prepared import Prepared
from service.store.index import pack

Made = Prepared | tuple[Finding, ...]
"""A resource that may be kept, or why it may not."""

_ID_DIGITS = 40


class Maker:
    """Makes rows ready. ``types`` are those that may be loaded."""

    def __init__(self, validator: Validates, index: Index, types: Collection[str]) -> None:
        self.validator = validator
        self._index = index
        self._types = frozenset(types)

    def __call__(self, batch: Sequence[SentRow]) -> list[Made]:
        """What became of each row, in their order."""
        return [self.make(row.text) for row in batch]

    def make(self, text: bytes | None) -> Made:
        """One row. A resource without an id gets one that its content decides."""
        if text is None:
            return (Finding("error", "too-long", "", "The row is longer than can be read."),)
        try:
            resource = read(text, max_bytes=len(text))
        except JsonError as error:
            return (json_finding(error),)
        unloadable = self._unloadable(resource)
        if unloadable:
            return (unloadable,)
        findings = self.validator.validate(resource)
        if has_errors(findings):
            return tuple(located(findings, text))
        id_ = resource.get("id") or _id_by_content(resource)
        body = unstamped(resource, id_)
        if not body.fits:
            return (Finding("error", "too-long", "", f"At most {LONGEST} bytes are expected."),)
        return Prepared(
            resource["resourceType"],
            id_,
            body,
            pack(self._index(resource)),
            tuple(programmes_of(resource)),
        )

    def _unloadable(self, resource: Any) -> Finding | None:
        if not isinstance(resource, dict):
            return Finding("error", "structure", "", "A resource (a JSON object) is expected.")
        kind = resource.get("resourceType")
        if isinstance(kind, str) and kind in self._types:
            return None
        told = f"A type that can be loaded is expected, found {shown(kind)}."
        return Finding("error", "not-supported", "resourceType", told)


def _id_by_content(resource: dict[str, Any]) -> str:
    """The same for the same content, so that a row that comes again is known again."""
    body = unstamped(resource, "")
    return hashlib.sha256(body.head + body.tail).hexdigest()[:_ID_DIGITS]
