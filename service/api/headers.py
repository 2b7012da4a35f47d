"""What a client says in its headers: the form it wants, the form it sends, the version it means."""

import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from email.utils import formatdate, parsedate_to_datetime
from functools import lru_cache

from starlette.requests import Request

from service.api.outcomes import refusal
from service.store.contract import Version

HEADERS = "airway.headers"
"""Where the scope of a request has its headers by their names in lower case, the first of each."""

FHIR_TYPES = frozenset({"application/fhir+json", "application/json", "text/json"})
FORM = "application/x-www-form-urlencoded"
CSV = "text/csv"
_FORMATS = FHIR_TYPES | {"json"}
_FHIR_VERSIONS = frozenset({"4.0", "4.0.1"})

_TAG = re.compile(r'(?:W/)?"([^"]*)"')
_RETURNS = frozenset({"minimal", "representation", "OperationOutcome"})


@dataclass(frozen=True, slots=True)
class Preference:
    """The ``Prefer`` header.

    ``returns``: what a write answers with, None where the client does not care. ``strict``: whether
    unknown parameters are errors.
    """

    returns: str | None
    strict: bool


def check_accept(request: Request, offered: frozenset[str] = FHIR_TYPES) -> None:
    """Raises 406 unless ``_format`` (which goes first) or Accept takes one of ``offered``."""
    if not _is_acceptable(_format_in(request), _accept_in(request), offered):
        raise refusal(406, f"Only these can be answered: {', '.join(sorted(offered))}, FHIR 4.0.")


def wants_csv(request: Request) -> bool:
    """Whether the first form that the client lists is CSV."""
    wanted = _format_in(request)
    if wanted is not None:
        return _media_type(wanted)[0] in (CSV, "csv")
    return next(_accepted(_accept_in(request)), ("", None))[0] == CSV


def accepted(request: Request) -> list[str]:
    """The media types that the client takes, in lower case, those that it likes most first."""
    wanted = _format_in(request)
    if wanted is not None:
        return [_media_type(wanted.replace(" ", "+", 1))[0]]
    return [kind for quality, kind in _weighed(_accept_in(request)) if quality]


def best_form(request: Request, offered: Mapping[str, str]) -> str:
    """Of the media types offered (by their short names for ``_format``) the one wanted most.

    ``_format`` goes before Accept; where the client does not care, the first. RFC 9110, section
    12.5.1: by weight, then by order. Raises 406.
    """
    asked = _format_in(request)
    if asked is not None:
        kind = _media_type(asked)[0]
        found = offered.get(kind, kind if kind in offered.values() else None)
    else:
        found = _most_wanted(_accept_in(request), tuple(offered.values()))
    if found is None:
        raise refusal(406, f"Only these can be answered: {', '.join(sorted(offered.values()))}.")
    return found


def check_content_type(request: Request, taken: frozenset[str] = FHIR_TYPES) -> str:
    """The media type of the body, without its parameters. Raises 415 for another than ``taken``."""
    header = request.headers.get("content-type", "")
    kind, version = _media_type(header)
    charset = re.search(r"charset=\"?([\w-]+)", header, re.IGNORECASE)
    if charset and charset.group(1).lower() not in ("utf-8", "utf8", "us-ascii"):
        raise refusal(415, "The body must be in UTF-8.")
    if kind not in taken or not _is_r4(version):
        raise refusal(415, f"Content-Type must be one of: {', '.join(sorted(taken))}.")
    return kind


def preference(request: Request) -> Preference:
    """What the client prefers. Values we do not know are ignored, as RFC 7240 asks."""
    parts = re.split(r"[,;]", ",".join(request.headers.getlist("prefer")))
    chosen = {
        name.strip().lower(): value.strip().strip('"')
        for name, _, value in (part.partition("=") for part in parts)
    }
    wanted = chosen.get("return")
    returns = wanted if wanted in _RETURNS else None
    return Preference(returns, chosen.get("handling") == "strict")


def etag(version: int) -> str:
    return f'W/"{version}"'


def is_known(request: Request, version: Version) -> bool:
    """Whether the client says that it has this version (RFC 9110 sections 13.1.2 and 13.1.3).

    Tags are compared weakly and go before the date; a date that is none is ignored.
    """
    tags = header(request, b"if-none-match")
    if tags is not None:
        return tags.strip() == "*" or str(version.version) in _TAG.findall(tags)
    since = header(request, b"if-modified-since")
    if since is None:
        return False
    try:
        known = parsedate_to_datetime(since)
    except ValueError:
        return False
    return version.instant.replace(microsecond=0) <= known.replace(tzinfo=known.tzinfo or UTC)


def by_name(headers: Sequence[tuple[bytes, bytes]]) -> dict[bytes, bytes]:
    """What ``HEADERS`` shall be: of a repeated header the first one counts."""
    return dict(reversed(headers))


def header(request: Request, name: bytes) -> str | None:
    """The first header of this name (in lower case)."""
    value = request.scope[HEADERS].get(name)
    return None if value is None else str(value, "latin-1")


def last_modified(instant: datetime) -> str:
    return _http_date(int(instant.timestamp()))


@lru_cache(maxsize=4096)
def _http_date(second: int) -> str:
    return formatdate(second, usegmt=True)


@lru_cache(maxsize=512)
def _is_acceptable(wanted: str | None, accept: str, offered: frozenset[str]) -> bool:
    if wanted is not None:
        # A plus sign that the client forgot to encode arrives as a blank.
        kind, version = _media_type(wanted.replace(" ", "+", 1))
        return kind in offered | _FORMATS and _is_r4(version)
    return any(_takes(kind, offered) and _is_r4(version) for kind, version in _accepted(accept))


def _format_in(request: Request) -> str | None:
    if b"_format" not in request.scope["query_string"]:
        return None
    return request.query_params.get("_format")


def _accept_in(request: Request) -> str:
    return header(request, b"accept") or "*/*"


def _accepted(accept: str) -> Iterator[tuple[str, str | None]]:
    for part in accept.split(","):
        if _quality(part):
            yield _media_type(part)


def _quality(part: str) -> float:
    """The weight of a media range (RFC 9110 section 12.4.2); 1 where it says none."""
    found = re.search(r";\s*q=([01](?:\.\d{0,3})?)\s*(?:;|$)", part, re.IGNORECASE | re.ASCII)
    return float(found[1]) if found else 1.0


def _weighed(accept: str) -> list[tuple[float, str]]:
    """Weight and media type of each part, the greatest weight first."""
    parts = [(_quality(part), _media_type(part)[0]) for part in accept.split(",")]
    return sorted(parts, key=lambda part: -part[0])


def _most_wanted(accept: str, offered: Sequence[str]) -> str | None:
    wanted = _weighed(accept)
    refused = {kind for weight, kind in wanted if not weight}
    for weight, kind in wanted:
        for form in offered:
            main = form.partition("/")[0]
            if weight and form not in refused and kind in (form, f"{main}/*", "*/*"):
                return form
    return None


def _media_type(text: str) -> tuple[str, str | None]:
    """The type in lower case and the FHIR version it names."""
    kind, *parameters = text.split(";")
    version = None
    for parameter in parameters:
        name, _, value = parameter.partition("=")
        if name.strip().lower() == "fhirversion":
            version = value.strip().strip('"')
    return kind.strip().lower(), version


def _takes(kind: str, offered: frozenset[str]) -> bool:
    return kind in offered or kind in ("*/*", "application/*")


def _is_r4(version: str | None) -> bool:
    return version is None or version in _FHIR_VERSIONS
