"""$review of a child: the picture for the clinician in the appointment, as a page or an image.

The pages and the languages are loaded with the first review and not when the service starts.
"""

from dataclasses import dataclass
from datetime import date, datetime
from typing import Final

from starlette.concurrency import run_in_threadpool
from starlette.responses import Response

from service.api.bodies import body_of
from service.api.headers import best_form
from service.api.operation_inputs import MOMENT, TEXT, Inputs, Takes
from service.api.outcomes import refusal
from service.api.page_answers import SAFE, language_in
from service.api.queries import day_in, instant_in
from service.api.served import Call, Operation
from service.mapping.canonical import BASE
from service.record.appointment import Asked, appointment

HTML: Final = "text/html"
SVG: Final = "image/svg+xml"
PNG: Final = "image/png"
_FORMS: Final = {"html": HTML, "svg": SVG, "png": PNG}
_DATES: Final = ("start", "end", "knownAt")
_TAKES: Final = Takes({"start": MOMENT, "end": MOMENT, "knownAt": MOMENT, "lang": TEXT})


@dataclass(frozen=True, slots=True)
class _Wanted:
    """What is asked for; None where that is left open."""

    form: str
    lang: str | None
    first: date | None
    last: date | None
    known_at: datetime | None


async def review(call: Call) -> Response:
    """A child's review.

    Raises 400 for parameters that make no sense, 404 and 410 for a child who is not here, 406 for
    other forms than HTML, SVG and PNG, 501 where PNG cannot be made.
    """
    form = best_form(call.request, _FORMS)
    body = await call.request.body()
    if body:
        body = await body_of(call.request)

    def work() -> Response:
        return _answer(call, _wanted(Inputs(call, body, _TAKES), form))

    return await run_in_threadpool(work)


def _wanted(inputs: Inputs, form: str) -> _Wanted:
    lang = language_in(inputs)
    given = [(name, text) for name in _DATES if (text := inputs.text(name)) is not None]
    first, last = day_in(given, "start"), day_in(given, "end")
    return _Wanted(form, lang, first, last, instant_in(given, "knownAt"))


def _answer(call: Call, wanted: _Wanted) -> Response:
    from service.pages.review import chart_svg, review_html
    from service.words import words_of

    asked = _asked(call, wanted)
    seen = appointment(call.record, call.caller, call.id, asked, call.services.policy)
    words = words_of(wanted.lang)
    headers = {**SAFE, "Content-Language": words.language.tag}
    if wanted.form == HTML:
        return Response(review_html(seen, words), headers=headers, media_type=HTML)
    drawn = chart_svg(seen, words)
    if wanted.form == SVG:
        return Response(drawn, headers=headers, media_type=SVG)
    return Response(_png(drawn), headers=headers, media_type=PNG)


def _asked(call: Call, wanted: _Wanted) -> Asked:
    now = call.services.clock()
    known_at = wanted.known_at or now
    if known_at > now:
        raise refusal(400, "What will be known later is not known yet.", expression="http.knownAt")
    return Asked(wanted.first, wanted.last, known_at, now)


def _png(svg: str) -> bytes:
    from service.pages.raster import RasterError, png

    try:
        return png(svg)
    except RasterError as error:
        told = f"{error} The chart is there as {SVG}."
        raise refusal(501, told, code="not-supported") from None


REVIEW = Operation(
    name="review",
    definition=f"{BASE}/OperationDefinition/patient-review",
    handler=review,
    on_instance=("GET", "POST"),
)
"""Of a Patient."""
