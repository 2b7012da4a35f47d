"""The files of a release: records as NDJSON and as CSV, the manifest and the code book.

All bytes come from the labels of the rules and from numbers that are safe to show. A number of
children from 1 to below k is shown as ``<k``. No other number of the manifest may let it be worked
out: the number that went in is nowhere, and the share that was left out is then an upper limit.
"""

import csv
import io
import json
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

from service.registry.anonymise import Anonymised
from service.registry.codebook import NOTICE, codebook_json
from service.registry.half_year import HalfYear
from service.registry.rules import Rules


@dataclass(frozen=True, slots=True)
class Release:
    """What was released for a half-year, byte for byte the same on every request."""

    half_year: str
    manifest: bytes
    ndjson: bytes
    csv: bytes
    codebook: bytes

    def to_bytes(self) -> bytes:
        """As one text, to be stored whole."""
        return as_json(
            {name: getattr(self, name).decode() for name in _FILES} | {"name": self.half_year}
        )

    @classmethod
    def from_bytes(cls, stored: bytes) -> "Release":
        """What ``to_bytes`` wrote."""
        files = json.loads(stored)
        return cls(files["name"], **{name: files[name].encode() for name in _FILES})

    @property
    def summary(self) -> dict[str, Any]:
        """The manifest as JSON values."""
        manifest: dict[str, Any] = json.loads(self.manifest)
        return manifest


_FILES = ("manifest", "ndjson", "csv", "codebook")


def publish(result: Anonymised, rules: Rules, half_year: HalfYear, made: datetime) -> Release:
    """The release of ``result``, made at ``made`` (aware)."""
    return Release(
        half_year=str(half_year),
        manifest=as_json(_manifest(result, rules, half_year, made)) + b"\n",
        ndjson=_ndjson(result),
        csv=_csv(result),
        codebook=as_json(codebook_json(rules)) + b"\n",
    )


def shown_count(count: int, k: int) -> str | int:
    """``count`` children as it may be shown: itself, or ``<k`` from 1 to below ``k``."""
    return f"<{k}" if 0 < count < k else count


def shown_share(suppressed: int, records: int, k: int) -> str:
    """The share left out, in per cent; only an upper limit where the number itself is hidden.

    ``records`` can be counted in the file, so an exact share would give the number away.
    """
    hidden = 0 < suppressed < k
    left_out = k if hidden else suppressed
    tenths = -(-1000 * left_out // (records + left_out))
    return f"{'<' if hidden else ''}{tenths // 10}.{tenths % 10}%"


def _manifest(
    result: Anonymised, rules: Rules, half_year: HalfYear, made: datetime
) -> dict[str, Any]:
    k = rules.policy.k
    heights = {column.name: column.height for column in rules.quasi_identifiers}
    at = result.columns.index("rule_version")
    return {
        "notice": NOTICE,
        "halfYear": str(half_year),
        "firstDay": half_year.first.isoformat(),
        "lastDay": half_year.last.isoformat(),
        "madeAt": made.astimezone(UTC).isoformat(timespec="seconds"),
        "policy": {
            "k": k,
            "distinctBands": rules.policy.distinct_bands,
            "suppressedAtMostPercent": rules.policy.suppressed_at_most,
        },
        "k": result.measured.k,
        "distinctBands": result.measured.distinct_bands,
        "classes": len(result.measured.sizes),
        "records": len(result.records),
        "suppressed": shown_count(result.suppressed, k),
        "suppressedShare": shown_share(result.suppressed, len(result.records), k),
        "levels": {
            name: {"level": level, "of": heights[name]} for name, level in result.levels.items()
        },
        "unlistedFieldsDropped": len(result.dropped),
        "ruleVersion": result.records[0][at],
        "codebookVersion": rules.version,
    }


def _ndjson(result: Anonymised) -> bytes:
    lines = (as_json(dict(zip(result.columns, record, strict=True))) for record in result.records)
    return b"".join(line + b"\n" for line in lines)


def _csv(result: Anonymised) -> bytes:
    text = io.StringIO(newline="")
    writer = csv.writer(text)  # RFC 4180: lines end in CR LF
    writer.writerow(result.columns)
    writer.writerows(result.records)
    return text.getvalue().encode()


def as_json(value: Any) -> bytes:
    """Compact JSON in UTF-8, members in the order given."""
    return json.dumps(value, ensure_ascii=False, separators=(",", ":")).encode()
