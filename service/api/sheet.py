"""$sheet of a plan: the page that goes home, as HTML or on paper.

The pages and the languages are loaded with the first sheet and not when the service starts.
"""

from dataclasses import dataclass
from threading import Lock
from typing import TYPE_CHECKING, Final, TypeVar

from starlette.concurrency import run_in_threadpool
from starlette.responses import Response

from service.api.bodies import body_of
from service.api.headers import best_form, header
from service.api.operation_inputs import TEXT, Inputs, Takes
from service.api.outcomes import refusal
from service.api.page_answers import SAFE, language_in
from service.api.queries import address
from service.api.served import Call, Operation
from service.fhir.outcome import shown
from service.mapping.canonical import BASE
from service.record.errors import Gone, NotFound
from service.record.shown_plan import ShownPlan, ShownVersion, shown_plan

if TYPE_CHECKING:
    from service.pages import Change, Copy, Paper, Sheet
    from service.words import Words

HTML: Final = "text/html"
PDF: Final = "application/pdf"
_FORMS: Final = {"html": HTML, "pdf": PDF}
_TAKES: Final = Takes({"lang": TEXT, "copy": TEXT, "paper": TEXT})
_ONE_AT_A_TIME = Lock()
"""Laying out a page keeps a core busy; the rest of the service goes on beside it."""


@dataclass(frozen=True, slots=True)
class _Wanted:
    """What is asked for. ``lang`` is None for the family's own language."""

    form: str
    copy: "Copy"
    paper: "Paper"
    lang: str | None


async def sheet(call: Call) -> Response:
    """The sheet of a plan, or a page that says why there is none to follow.

    Raises 400 for parameters that make no sense, 406 for other forms than HTML and PDF, 501 where
    PDF cannot be made.
    """
    form = best_form(call.request, _FORMS)
    body = await call.request.body()
    if body:
        body = await body_of(call.request)

    def work() -> Response:
        wanted = _wanted(Inputs(call, body, _TAKES), form)
        try:
            found = shown_plan(call.record, call.caller, call.id, call.services.clock())
        except (NotFound, Gone) as missing:
            if _is_browser(call):
                return _missing(wanted, missing.status)
            raise
        return _answer(call, wanted, found)

    return await run_in_threadpool(work)


def _wanted(inputs: Inputs, form: str) -> _Wanted:
    from service.pages import COPIES, PAPERS

    lang = language_in(inputs)
    return _Wanted(form, _one_of(inputs, "copy", COPIES), _one_of(inputs, "paper", PAPERS), lang)


ChoiceT = TypeVar("ChoiceT", bound=str)


def _one_of(inputs: Inputs, name: str, choices: tuple[ChoiceT, ...]) -> ChoiceT:
    """The value of a parameter; the first choice where it is left out. Raises 400."""
    value = inputs.text(name)
    if value is None:
        return choices[0]
    if value not in choices:
        told = f"Found {shown(value)}, expected one of: {', '.join(choices)}."
        raise refusal(400, told, code="value", expression=f"http.{name}")
    return value


def _answer(call: Call, wanted: _Wanted, found: ShownPlan) -> Response:
    from service.pages import sheet_html
    from service.words import words_of

    programme = found.asked.programme
    words = words_of(wanted.lang, *programme.child.language, programme.language)
    html = sheet_html(_sheet(call, wanted, found), words, wanted.copy, paper=wanted.paper)
    return _response(html, wanted, words)


def _sheet(call: Call, wanted: _Wanted, found: ShownPlan) -> "Sheet":
    from service.pages import Sheet

    other = found.standing.in_force
    return Sheet(
        programme=found.asked.programme,
        number=found.asked.number,
        standing=found.standing,
        address=_address(call, call.id, wanted),
        today=found.today,
        for_today=found.for_today,
        in_force=_address(call, other, wanted) if other and other != call.id else None,
        coming=_change(found.coming) if found.coming else None,
        changes=tuple(map(_change, found.versions)),
    )


def _address(call: Call, id_: str, wanted: _Wanted) -> str:
    """Where the sheet of a plan is, in the same language and for the same reader."""
    pairs = [("lang", wanted.lang)] if wanted.lang else []
    pairs += [("copy", wanted.copy)] if wanted.copy != "family" else []
    return address(f"{call.base}/CarePlan/{id_}/$sheet", pairs)


def _change(version: ShownVersion) -> "Change":
    from service.pages import Change

    programme = version.programme
    author = programme.author.name.text if programme.author.name else programme.author.role
    return Change(version.number, programme.start, author, programme.change_reason)


def _is_browser(call: Call) -> bool:
    """Whether somebody who scanned a code reads the answer, and not a program."""
    return HTML in (header(call.request, b"accept") or "")


def _missing(wanted: _Wanted, status: int) -> Response:
    from service.pages import rendered
    from service.words import words_of

    words = words_of(wanted.lang)
    html = rendered("missing.html", words)
    return _response(html, wanted, words, status)


def _response(html: str, wanted: _Wanted, words: "Words", status: int = 200) -> Response:
    headers = {**SAFE, "Content-Language": words.language.tag}
    if wanted.form == HTML:
        return Response(html, status, headers=headers, media_type=HTML)
    headers["Content-Disposition"] = 'inline; filename="sheet.pdf"'
    return Response(_paper(html), status, headers=headers, media_type=PDF)


def _paper(html: str) -> bytes:
    from service.pages.paper import PaperError, pdf

    try:
        with _ONE_AT_A_TIME:
            return pdf(html)
    except PaperError as error:
        told = f"{error} The page is there as text/html."
        raise refusal(501, told, code="not-supported") from None


SHEET = Operation(
    name="sheet",
    definition=f"{BASE}/OperationDefinition/careplan-sheet",
    handler=sheet,
    on_instance=("GET", "POST"),
)
"""Of a CarePlan."""
