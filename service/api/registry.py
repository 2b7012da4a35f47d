"""What a research registry fetches: the release of a half-year, its manifest, the code book."""

from typing import Annotated

from fastapi import APIRouter, Query
from starlette.requests import Request
from starlette.responses import Response

from service.api.described import JSON, answers
from service.api.headers import CSV, check_accept, wants_csv
from service.api.outcomes import refusal
from service.api.services import Services, ServicesOf
from service.registry.codebook import codebook_json, codebook_markdown
from service.registry.consent import Terms
from service.registry.extract import release, release_rules
from service.registry.half_year import HalfYear
from service.registry.publish import Release, as_json

NDJSON = "application/x-ndjson"
MARKDOWN = "text/markdown"
_RECORDS = frozenset({NDJSON, "application/ndjson", CSV})

HalfYearOf = Annotated[
    str, Query(alias="half-year", description="A calendar half-year, for example 2026-H1.")
]

router = APIRouter(prefix="/registry", tags=["Registry"])


@router.get("/adherence", responses=answers(NDJSON, CSV))
def adherence_records(half_year: HalfYearOf, request: Request, services: ServicesOf) -> Response:
    """One record a child: NDJSON, or CSV where the client asks for it.

    k-anonymised, not anonymous in law. Made on the first request, the same bytes ever after.
    """
    check_accept(request, _RECORDS)
    released = _released(half_year, services)
    links = (
        f'</registry/adherence/manifest?half-year={released.half_year}>; rel="describedby", '
        '</registry/codebook>; rel="help"'
    )
    body, kind = (released.csv, CSV) if wants_csv(request) else (released.ndjson, NDJSON)
    return Response(body, headers={"Link": links, "Vary": "Accept"}, media_type=kind)


@router.get("/adherence/manifest", responses=answers(JSON))
def adherence_manifest(half_year: HalfYearOf, services: ServicesOf) -> Response:
    """What was done to a release: k, classes, records, share left out, level of each column."""
    return Response(_released(half_year, services).manifest, media_type=JSON)


@router.get("/codebook", responses=answers(JSON, MARKDOWN))
def codebook(request: Request) -> Response:
    """What each column means and may hold: JSON, or Markdown where the client asks for it."""
    if MARKDOWN in request.headers.get("accept", ""):
        return Response(codebook_markdown(release_rules()), media_type=MARKDOWN)
    return Response(as_json(codebook_json(release_rules())), media_type=JSON)


def _released(text: str, services: Services) -> Release:
    try:
        half_year = HalfYear.parse(text)
    except ValueError as error:
        raise refusal(400, f"half-year: {error}.", expression="half-year") from None
    settings = services.settings
    terms = Terms(age_of_consent=settings.age_of_consent, recipient=settings.registry_recipient)
    return release(services.record, half_year, services.clock, terms=terms)
