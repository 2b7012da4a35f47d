"""Programme documents over HTTP: POST, GET, PUT with If-Match, versions, and their JSON Schemas.

Bodies are read by ``service.fhir.json``, so that no digit is lost; answers are written by it.
"""

from collections.abc import Callable, Mapping
from typing import Annotated, Any

from fastapi import APIRouter, Header
from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import Response

from service.api.bodies import body_of
from service.api.described import JSON, answers
from service.api.headers import last_modified
from service.api.outcomes import refusal
from service.api.served import base_of
from service.api.services import CallerOf, Services, ServicesOf
from service.fhir.json import JsonObject, read, write
from service.fhir.outcome import operation_outcome
from service.mapping.references import reference_of
from service.programme.schemas import (
    health_state_schema,
    pause_schema,
    programme_schema,
    session_schema,
    technique_review_schema,
)
from service.record.problems import accepted_caution, still_open, warning_of
from service.record.programme_versions import OpenedVersion, PlanVersion
from service.record.programmes import Filed, Programmes

router = APIRouter(tags=["Programmes"])

JSON_SCHEMA = "application/schema+json"

_PROGRAMME_BODY = {
    "requestBody": {
        "required": True,
        "content": {JSON: {"schema": {"$ref": "/schemas/programme"}}},
    }
}
_SCHEMAS: Mapping[str, Callable[[], dict[str, Any]]] = {
    "programme": programme_schema,
    "session": session_schema,
    "health-state": health_state_schema,
    "pause": pause_schema,
    "technique-review": technique_review_schema,
}
IfMatch = Annotated[str | None, Header(description="The version tag of the latest version.")]


@router.post(
    "/programmes",
    status_code=201,
    openapi_extra=_PROGRAMME_BODY,
    responses=answers(JSON, status=201),
)
async def create_programme(request: Request, services: ServicesOf, caller: CallerOf) -> Response:
    """File a new programme. Everything wrong with it is told at once, and then nothing is kept."""
    body = await body_of(request)

    def work() -> Filed:
        return _jobs(services).post(_document(body, services), caller)

    return _filed_response(await run_in_threadpool(work), base_of(request, services))


@router.get("/programmes/{programme_id}", responses=answers(JSON))
def read_programme(programme_id: str, services: ServicesOf, caller: CallerOf) -> Response:
    """The version in force now; where none is, the latest one."""
    return _document_response(_jobs(services).get(programme_id, caller))


@router.put(
    "/programmes/{programme_id}",
    openapi_extra=_PROGRAMME_BODY,
    responses=answers(JSON) | answers(JSON, status=201),
)
async def change_programme(
    programme_id: str,
    request: Request,
    services: ServicesOf,
    caller: CallerOf,
    if_match: IfMatch = None,
) -> Response:
    """Prescribe anew: the successor of the latest version, whose tag If-Match must name."""
    body = await body_of(request)

    def work() -> Filed:
        jobs = _jobs(services)
        return jobs.put(programme_id, _document(body, services), caller, if_match)

    return _filed_response(await run_in_threadpool(work), base_of(request, services))


@router.get("/programmes/{programme_id}/cautions", responses=answers(JSON))
def list_cautions(programme_id: str, services: ServicesOf, caller: CallerOf) -> Response:
    """What to know before acting on the version in force, by what is known of the child now.

    A programme is judged when it is written and stays as it is; a safety screen or a diagnosis that
    came later is told here.
    """
    opened, checked = _jobs(services).cautions(programme_id, caller)
    found = [
        *map(still_open, (one for one in checked.problems if one.kind == "caution")),
        *map(accepted_caution, checked.accepted),
        *map(warning_of, checked.warnings),
    ]
    answer = _named(opened)
    if found:
        answer["issue"] = operation_outcome(found)["issue"]
    return _json(answer)


@router.get("/programmes/{programme_id}/versions", responses=answers(JSON))
def list_versions(programme_id: str, services: ServicesOf, caller: CallerOf) -> Response:
    """Every version, oldest first: since when it holds and since when it is known."""
    versions = _jobs(services).versions(programme_id, caller)
    return _json({"id": programme_id, "version": [_row(one) for one in versions.all]})


@router.get("/programmes/{programme_id}/versions/{number}", responses=answers(JSON))
def read_version(
    programme_id: str, number: int, services: ServicesOf, caller: CallerOf
) -> Response:
    """One version, counted from 1."""
    return _document_response(_jobs(services).get_version(programme_id, number, caller))


@router.get("/schemas/{name}", responses=answers(JSON_SCHEMA))
def read_schema(name: str) -> Response:
    """JSON Schema of a document: programme, session, health-state, pause or technique-review."""
    schema = _SCHEMAS.get(name)
    if schema is None:
        raise refusal(404, f"There are schemas of: {', '.join(_SCHEMAS)}.")
    return _json(schema(), media_type=JSON_SCHEMA)


def _jobs(services: Services) -> Programmes:
    return Programmes(services.record, services.clock, policy=services.policy)


def _document(body: bytes, services: Services) -> Any:
    return read(body, max_bytes=services.settings.max_body_bytes)


def _filed_response(filed: Filed, base: str) -> Response:
    """Ids and version tags of what was written, and what the reader should know of it."""
    opened = filed.opened
    found = [
        *map(accepted_caution, filed.accepted),
        *map(warning_of, filed.warnings),
        *filed.notes,
    ]
    answer = _named(opened) | {
        "resource": [
            {"reference": reference, "versionTag": f'W/"{opened.resolver.version(reference)}"'}
            for reference in map(reference_of, opened.resources.of_version())
        ],
    }
    if found:
        answer["issue"] = operation_outcome(found)["issue"]
    address = f"{base.removesuffix('/fhir')}{_address(opened)}"
    headers = _headers(opened) | {"Location": address}
    return _json(answer, 201 if filed.is_new else 200, headers=headers)


def _named(opened: OpenedVersion) -> JsonObject:
    return {
        "id": opened.programme.id,
        "version": opened.version.number,
        "carePlan": opened.version.plan,
    }


def _document_response(opened: OpenedVersion) -> Response:
    return _json(opened.programme.to_json(), headers=_headers(opened))


def _headers(opened: OpenedVersion) -> dict[str, str]:
    return {
        "ETag": f'W/"{opened.tag}"',
        "Last-Modified": last_modified(opened.version.stored.instant),
        "Content-Location": _address(opened),
    }


def _address(opened: OpenedVersion) -> str:
    return f"/programmes/{opened.programme.id}/versions/{opened.version.number}"


def _row(version: PlanVersion) -> JsonObject:
    row = {
        "number": version.number,
        "plan": version.plan,
        "start": version.start.isoformat() if version.start else None,
        "status": version.status,
        "changeReason": version.change_reason,
        "knownSince": version.known_since.isoformat(),
    }
    return {name: value for name, value in row.items() if value is not None}


def _json(
    value: Any,
    status: int = 200,
    *,
    headers: Mapping[str, str] | None = None,
    media_type: str = JSON,
) -> Response:
    return Response(write(value), status, headers=dict(headers or {}), media_type=media_type)
