"""Binary: its content as it is, beside the resource that holds it (R4 binary.html#rest).

Read with an Accept that names FHIR JSON it is the resource; else, where the client takes its
media type, the content itself. Written in another media type than FHIR JSON, or as JSON that is
no Binary, a body is the content. Content comes from outside: a browser shall save it, not show it.
"""

import re
from base64 import b64decode, b64encode
from functools import partial
from typing import Final

from starlette.concurrency import run_in_threadpool
from starlette.responses import Response

from service.api import reading, writing
from service.api.answers import not_modified, read_response
from service.api.bodies import SENT
from service.api.headers import FHIR_TYPES, accepted, check_accept, etag, is_known, last_modified
from service.api.outcomes import FHIR_JSON, refusal
from service.api.served import Call
from service.fhir.json import JsonObject
from service.fhir.json import read as read_json
from service.record.bodies import LONGEST
from service.store.contract import Version

CONTEXT: Final = "X-Security-Context"
"""Says beside content what ``Binary.securityContext`` says in the resource."""

_MOST: Final = (LONGEST - 4096) // 4 * 3
"""Bytes of content that fit into a resource."""

_XML: Final = frozenset({"application/fhir+xml", "application/xml", "text/xml"})
_BINARY_IN_XML: Final = re.compile(rb"[^<]{0,9}(?:<[?!][^>]{0,999}>\s*){0,9}<(?:\w+:)?Binary[\s>/]")
_MEDIA_TYPE: Final = re.compile(r"[\w.+!#$&^-]+/[\w.+!#$&^-]+(?: ?;[ -~]*)?", re.ASCII)
_REFERENCE: Final = re.compile(r"[!-~]{1,2000}", re.ASCII)
_UNKNOWN: Final = "application/octet-stream"


async def read(call: Call) -> Response:
    """GET: the content, or the resource that holds it."""
    if _names_the_resource(call):
        return await reading.read(call)
    return await _content(call, await call.reads.one(call.caller, call.type, call.id))


async def vread(call: Call) -> Response:
    """GET of one version: its content, or the resource that held it."""
    if _names_the_resource(call):
        return await reading.vread(call)
    return await _content(call, await reading.version_asked(call))


async def create(call: Call) -> Response:
    """POST of content, or of a resource that holds it."""
    if await _is_resource(call):
        return await writing.create(call)
    check_accept(call.request)
    return await writing.create_from(call, partial(_resource, call, await call.request.body()))


async def update(call: Call) -> Response:
    """PUT of content, or of a resource that holds it; also by a condition."""
    if await _is_resource(call):
        return await writing.update(call)
    check_accept(call.request)
    return await writing.update_from(call, partial(_resource, call, await call.request.body()))


def _names_the_resource(call: Call) -> bool:
    return accepted(call.request)[:1] in ([FHIR_JSON], ["json"])


async def _content(call: Call, version: Version) -> Response:
    """Raises 406 where the client takes neither the content nor the resource."""
    stored: JsonObject = await run_in_threadpool(read_json, version.body)
    kind = _served_type(stored)
    plain = kind.partition(";")[0].strip().lower()
    taking = ("*/*", plain, f"{plain.partition('/')[0]}/*")
    for wanted in accepted(call.request):
        if wanted in taking:
            break
        if wanted in FHIR_TYPES | {"json"}:
            return read_response(call.request, version)
    else:
        told = f"This content is {kind}; as a resource it is {FHIR_JSON}."
        raise refusal(406, told)
    if is_known(call.request, version):
        return not_modified(version)
    data = await run_in_threadpool(b64decode, stored.get("data", ""))
    headers = {
        "Content-Type": kind,
        "Content-Disposition": "attachment",
        "X-Content-Type-Options": "nosniff",
        "ETag": etag(version.version),
        "Last-Modified": last_modified(version.instant),
        "Vary": "Accept",
    }
    context = stored.get("securityContext", {}).get("reference", "")
    if _REFERENCE.fullmatch(context):
        headers[CONTEXT] = context
    return Response(data, headers=headers)


def _served_type(stored: JsonObject) -> str:
    """A code of R4 may hold what a header must not."""
    kind = str(stored.get("contentType", ""))
    return kind if _MEDIA_TYPE.fullmatch(kind) else _UNKNOWN


async def _is_resource(call: Call) -> bool:
    """Whether the body is to be read as a Binary. Raises 415 for one in XML, 400 for no JSON."""
    if SENT in call.request.scope:
        return True
    kind = _sent_type(call).partition(";")[0].strip().lower()
    body = await call.request.body()
    if kind in _XML and _BINARY_IN_XML.match(body):
        raise refusal(415, f"A Binary is read as {FHIR_JSON}, not in XML.")
    if kind not in FHIR_TYPES:
        return False
    most = call.services.settings.max_body_bytes
    found = await run_in_threadpool(read_json, body, max_bytes=most)
    return isinstance(found, dict) and found.get("resourceType") == "Binary"


def _sent_type(call: Call) -> str:
    kind = call.request.headers.get("content-type", "").strip()
    if not _MEDIA_TYPE.fullmatch(kind):
        raise refusal(415, "Content-Type must say what the content is, for example image/png.")
    return kind


def _resource(call: Call, content: bytes) -> JsonObject:
    """The Binary that holds what was sent. Raises 413 and 400."""
    if len(content) > _MOST:
        raise refusal(413, f"The content is longer than {_MOST} bytes.")
    resource: JsonObject = {"resourceType": "Binary", "contentType": _sent_type(call)}
    if "id" in call.request.path_params:
        resource["id"] = call.id
    context = call.request.headers.get(CONTEXT)
    if context is not None:
        if not _REFERENCE.fullmatch(context):
            told = f"{CONTEXT} must be a reference, for example Patient/p."
            raise refusal(400, told, code="value", expression=f"http.{CONTEXT}")
        resource["securityContext"] = {"reference": context}
    if content:
        resource["data"] = b64encode(content).decode()
    return resource
