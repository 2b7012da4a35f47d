"""$sheet over HTTP: forms, languages, copies, and what an old code opens."""

import io
import re
import sys
from pathlib import Path
from typing import Any

import pytest
from api_client import BASE, Client, issues, resource
from page_text import text_of
from programme_documents import CHILD, OVERRIDE, TOO_YOUNG, changed_dose, programme
from pypdf import PdfReader
from set_clock import Clock

from service.pages.paper import PaperError, pdf

PHONE = "+34 900 000 000"
TEAM = {"name": "Harbour team", "phone": PHONE}


def posted(client: Client, **changes: Any) -> str:
    """Post the programme; the id of its CarePlan."""
    made = client.post("/programmes", programme(team=TEAM, **changes))
    assert made.status_code == 201, made.text
    return str(resource(made)["carePlan"]).removeprefix("CarePlan/")


def changed(client: Client, **changes: Any) -> str:
    tag = client.get("/programmes/meadow-7").headers["etag"]
    document = changed_dose(team=TEAM) | changes
    made = client.put("/programmes/meadow-7", document, if_match=tag)
    assert made.status_code == 201, made.text
    return str(resource(made)["carePlan"]).removeprefix("CarePlan/")


def sheet(client: Client, id_: str, query: str = "") -> str:
    answer = client.get(f"/fhir/CarePlan/{id_}/$sheet{query}", accept="text/html")
    assert answer.status_code == 200, answer.text
    return answer.text


def test_the_plan_in_force_as_html(client: Client) -> None:
    answer = client.get(f"/fhir/CarePlan/{posted(client)}/$sheet", accept="text/html")
    assert answer.status_code == 200
    assert answer.headers["content-type"] == "text/html; charset=utf-8"
    assert answer.headers["content-language"] == "en"
    assert answer.headers["cache-control"] == "no-store"
    assert "default-src 'none'" in answer.headers["content-security-policy"]
    told = text_of(answer.text)
    for words in ("Sunny Meadow", "2 times a day", "6 rounds", "Hold the breath for 2.5 seconds",
                  "every Tuesday and Friday at 17:30", "1 June 2031", PHONE, "Swim a length",
                  "Printed or shown on 9 March 2031."):  # fmt: skip
        assert words in told, words


@pytest.mark.parametrize(
    ("accept", "query", "expected"),
    [
        ("*/*", "", "text/html"),
        ("text/*", "", "text/html"),
        ("text/html,application/xhtml+xml,application/xml;q=0.9,*/*;q=0.8", "", "text/html"),
        ("application/pdf", "", "application/pdf"),
        ("text/html;q=0.2, application/pdf;q=0.9", "", "application/pdf"),
        ("text/html;q=0, */*", "", "application/pdf"),
        ("text/html", "?_format=pdf", "application/pdf"),
        ("application/fhir+json", "?_format=text/html", "text/html"),
        ("application/pdf", "?_format=html", "text/html"),
    ],
)
def test_the_form_is_what_the_client_wants_most(
    client: Client, accept: str, query: str, expected: str
) -> None:
    """RFC 9110, section 12.5.1; ``_format`` goes first (R4 http.html#parameters)."""
    _needs_pango(expected)
    answer = client.get(f"/fhir/CarePlan/{posted(client)}/$sheet{query}", accept=accept)
    assert answer.status_code == 200, answer.text
    assert answer.headers["content-type"].partition(";")[0] == expected
    assert answer.headers["vary"].startswith("Accept")


@pytest.mark.parametrize(
    ("accept", "query"),
    [("application/fhir+json", ""), ("image/png", ""), ("text/html", "?_format=json"),
     ("text/html;q=0", "")],
)  # fmt: skip
def test_other_forms_are_406(client: Client, accept: str, query: str) -> None:
    answer = client.get(f"/fhir/CarePlan/{posted(client)}/$sheet{query}", accept=accept)
    assert answer.status_code == 406
    assert "application/pdf, text/html" in issues(answer)[0]["diagnostics"]


@pytest.mark.parametrize(
    ("query", "place", "expected"),
    [
        ("?lang=cy", "http.lang", "en, ar, fr"),
        ("?lang=", "http.lang", "some text"),
        ("?copy=neighbour", "http.copy", "family, school, local-hospital"),
        ("?paper=A5", "http.paper", "A4, Letter"),
        ("?paper=A4&paper=A4", "http.paper", "once is expected"),
        ("?colour=red", "http.colour", "lang, copy, paper"),
    ],
)
def test_parameters_that_make_no_sense_are_400(
    client: Client, query: str, place: str, expected: str
) -> None:
    answer = client.get(f"/fhir/CarePlan/{posted(client)}/$sheet{query}")
    assert answer.status_code == 400
    assert issues(answer)[0]["expression"] == [place]
    assert expected in issues(answer)[0]["diagnostics"]


def test_parameters_may_come_in_a_body(client: Client) -> None:
    asked = {"resourceType": "Parameters",
             "parameter": [{"name": "lang", "valueCode": "ar"},
                           {"name": "copy", "valueCode": "school"}]}  # fmt: skip
    answer = client.post(f"/fhir/CarePlan/{posted(client)}/$sheet", asked, accept="text/html")
    assert answer.status_code == 200
    assert '<html lang="ar" dir="rtl">' in answer.text
    assert "نسخة المدرسة" in answer.text


def test_the_language_is_the_familys_unless_another_is_asked_for(client: Client) -> None:
    id_ = posted(client, child=CHILD | {"language": ["cy", "fr-BE"]}, language="en")
    assert '<html lang="fr-BE"' in sheet(client, id_)
    assert '<html lang="ar"' in sheet(client, id_, "?lang=ar")
    assert 'lang="en" dir="ltr">Sunny Meadow' in sheet(client, id_, "?lang=ar")


def test_the_code_holds_nothing_of_the_child(client: Client) -> None:
    id_ = posted(client)
    text = sheet(client, id_, "?lang=fr&copy=school")
    assert f"{BASE}/CarePlan/{id_}/$sheet" not in text, "no link to itself, the code holds it"
    import segno

    from service.pages.codes import code_svg

    address = f"{BASE}/CarePlan/{id_}/$sheet?lang=fr&copy=school"
    drawn = re.search(
        r'<path class="[^"]*"[^>]*d="([^"]+)"|d="(M4[^"]+)"', str(code_svg(address, "x"))
    )
    assert drawn
    assert (drawn[1] or drawn[2]) in text
    assert segno.make(address, error="m", micro=False).version <= 8, "small enough to scan"


def test_an_old_code_says_replaced_and_leads_to_the_plan_in_force(
    client: Client, clock: Clock
) -> None:
    old = posted(client)
    clock.move(minutes=5)
    new = changed(client)
    told = sheet(client, old, "?lang=en")
    assert "OLD PLAN. Do not follow it." in text_of(told)
    assert f'href="{BASE}/CarePlan/{new}/$sheet?lang=en"' in told
    assert "rounds" not in text_of(told)
    current = text_of(sheet(client, new))
    assert "8 breaths in each round" in current
    assert "Plan number 2, from 9 March 2031." in current


def test_a_plan_stays_in_force_until_its_successor_begins(client: Client, clock: Clock) -> None:
    old = posted(client)
    new = changed(client, start="2031-03-20")
    assert "A new plan starts on 20 March 2031." in text_of(sheet(client, old))
    early = text_of(sheet(client, new))
    assert "NOT YET. This plan starts on 20 March 2031." in early
    clock.move(days=11)
    assert "OLD PLAN" in text_of(sheet(client, old))
    assert "NOT YET" not in text_of(sheet(client, new))


@pytest.mark.parametrize(
    ("status", "told"),
    [("entered-in-error", "MISTAKE. Do not follow this plan."),
     ("revoked", "WITHDRAWN. Do not follow this plan.")],
)  # fmt: skip
def test_a_plan_taken_back_says_so_and_whom_to_call(client: Client, status: str, told: str) -> None:
    id_ = posted(client)
    marked = resource(client.get(f"/fhir/CarePlan/{id_}")) | {"status": status}
    if status == "entered-in-error":
        for one in marked["activity"]:
            part = resource(client.get(f"/fhir/{one['reference']['reference']}"))
            client.put(f"/fhir/{one['reference']['reference']}", part | {"status": status})
    assert client.put(f"/fhir/CarePlan/{id_}", marked).status_code == 200
    text = text_of(sheet(client, id_))
    assert told in text
    assert PHONE in text
    assert "rounds" not in text


def test_a_mistaken_successor_brings_the_plan_before_back(client: Client, clock: Clock) -> None:
    old = posted(client)
    clock.move(minutes=5)
    new = changed(client)
    mistaken = resource(client.get(f"/fhir/CarePlan/{new}")) | {"status": "entered-in-error"}
    assert client.put(f"/fhir/CarePlan/{new}", mistaken).status_code == 200
    assert "10 breaths in each round" in text_of(sheet(client, old))
    told = sheet(client, new)
    assert "MISTAKE" in told
    assert f"CarePlan/{old}/$sheet" in told


def test_a_draft_and_a_hold_say_so_above_the_steps(client: Client) -> None:
    draft = text_of(sheet(client, posted(client, status="draft")))
    assert draft.index("DRAFT. Do not follow this plan.") < draft.index("6 rounds")


def test_a_hold_says_why(client: Client) -> None:
    hold = [{"start": "2031-03-08", "end": "2031-03-12", "reason": "Operation"}]
    held = text_of(sheet(client, posted(client, hold=hold)))
    assert "ON HOLD" in held
    assert "Up to 12 March 2031. Operation" in held


def test_a_pause_from_home_says_so(client: Client) -> None:
    id_ = posted(client)
    pause = {"kind": "pause", "source": "app", "child": CHILD["identifier"][0],
             "start": "2031-03-09", "end": "2031-03-10", "reason": "agreed-holiday",
             "decidedBy": "family and team"}  # fmt: skip
    sent = client.send("POST", "/sessions", pause, content_type="application/x-ndjson")
    assert '"accepted"' in sent.text, sent.text
    told = text_of(sheet(client, id_))
    assert "PAUSED. Nothing is due now." in told
    assert "This is an agreed break." in told


def test_an_override_is_on_the_sheet(client: Client) -> None:
    id_ = posted(client, child=TOO_YOUNG, override=[OVERRIDE])
    told = text_of(sheet(client, id_))
    assert "The child is younger than is usual for a mouthpiece." in told
    assert "Seals well, seen twice in clinic" in told


def test_people_who_are_only_referred_to_are_named(client: Client) -> None:
    posted(client)
    patient = client.ids("Patient?identifier=https://clinic.example/children|7")[0]
    team = client.ids(f"CareTeam?subject=Patient/{patient}")[0]
    second = programme(
        id="meadow-8", child={"reference": f"Patient/{patient}"},
        team={"reference": f"CareTeam/{team}"},
    )  # fmt: skip
    made = client.post("/programmes", second)
    assert made.status_code == 201, made.text
    told = text_of(sheet(client, resource(made)["carePlan"].removeprefix("CarePlan/")))
    assert "Sunny Meadow" in told
    assert "Harbour team" in told
    assert PHONE in told


def test_the_local_hospital_sees_who_changed_the_plan(client: Client, clock: Clock) -> None:
    posted(client)
    clock.move(minutes=5)
    new = changed(client)
    told = text_of(sheet(client, new, "?copy=local-hospital"))
    assert "1 1 March 2031 Ash Birch" in told
    assert "2 9 March 2031 Ash Birch Tires early" in told
    assert "Cystic fibrosis" in told
    assert "Cystic fibrosis" not in text_of(sheet(client, new, "?copy=school"))


@pytest.mark.parametrize("paper", ["A4", "Letter"])
def test_paper_is_one_page(client: Client, paper: str) -> None:
    _needs_pango("application/pdf")
    id_ = posted(client)
    answer = client.get(f"/fhir/CarePlan/{id_}/$sheet?paper={paper}", accept="application/pdf")
    assert answer.status_code == 200
    assert answer.headers["content-disposition"] == 'inline; filename="sheet.pdf"'
    pages = PdfReader(io.BytesIO(answer.content)).pages
    assert len(pages) == 1
    assert round(pages[0].mediabox.width) == {"A4": 595, "Letter": 612}[paper]


def test_without_the_layout_library_paper_is_501_and_the_page_works(
    client: Client, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A stand-in fails as weasyprint does on a machine without pango: OSError at import."""
    (tmp_path / "weasyprint.py").write_text('raise OSError("cannot load library pango")')
    monkeypatch.syspath_prepend(str(tmp_path))
    for name in [one for one in sys.modules if one.partition(".")[0] == "weasyprint"]:
        monkeypatch.delitem(sys.modules, name)
    path = f"/fhir/CarePlan/{posted(client)}/$sheet"
    answer = client.get(path, accept="application/pdf")
    assert answer.status_code == 501
    (issue,) = issues(answer)
    assert issue["code"] == "not-supported"
    assert "pango" in issue["diagnostics"]
    assert client.get(path, accept="text/html").status_code == 200


def test_what_is_no_home_programme_has_no_sheet(client: Client) -> None:
    posted(client)
    patient = client.ids("Patient?identifier=https://clinic.example/children|7")[0]
    other = {"resourceType": "CarePlan", "status": "active", "intent": "plan",
             "subject": {"reference": f"Patient/{patient}"}}  # fmt: skip
    made = client.post("/fhir/CarePlan", other)
    assert made.status_code == 201, made.text
    answer = client.get(f"/fhir/CarePlan/{resource(made)['id']}/$sheet")
    assert answer.status_code == 422


def test_who_scans_a_code_of_nothing_reads_a_page_and_a_program_an_outcome(client: Client) -> None:
    read = client.get("/fhir/CarePlan/nowhere/$sheet", accept="text/html")
    assert read.status_code == 404
    assert "Ask your team for a new one." in text_of(read.text)
    program = client.get("/fhir/CarePlan/nowhere/$sheet")
    assert program.status_code == 404
    assert issues(program)[0]["code"] == "not-found"


def test_it_is_told_in_the_capability_statement(client: Client) -> None:
    statement = resource(client.get("/fhir/metadata"))
    plans = next(one for one in statement["rest"][0]["resource"] if one["type"] == "CarePlan")
    definition = {one["name"]: one["definition"] for one in plans["operation"]}["sheet"]
    found = resource(client.get(f"/fhir/OperationDefinition?url={definition}"))
    names = {one["name"] for one in found["entry"][0]["resource"]["parameter"]}
    assert names == {"lang", "copy", "paper", "return"}


def _needs_pango(form: str) -> None:
    if form != "application/pdf":
        return
    try:
        pdf("<!doctype html><html lang=en><title>x</title></html>")
    except PaperError as error:
        pytest.skip(str(error))
