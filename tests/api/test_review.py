"""$review over HTTP: the page's figures are those of $adherence; forms, languages, refusals."""

import re
import struct
from datetime import UTC, datetime
from decimal import Decimal
from xml.etree import ElementTree

import pytest
import worked_example
from adherence_http import FORTNIGHT, Fortnight, counts, post_programme, reports, score, upload
from api_client import Client, issues, resource
from page_text import text_of
from programme_documents import CHILD, OVERRIDE, TOO_YOUNG, programme
from set_clock import Clock

SVG = "{http://www.w3.org/2000/svg}"
HOSTILE = '"><script>alert(1)</script><svg onload=alert(2)>'


@pytest.fixture
def fortnight(client: Client, clock: Clock) -> Fortnight:
    return Fortnight(client, clock)


def page(client: Client, patient: str, query: str = "") -> str:
    answer = client.get(f"/fhir/Patient/{patient}/$review{query}", accept="text/html")
    assert answer.status_code == 200, answer.text
    return answer.text


def patient_of(client: Client, identifier: dict[str, str] = CHILD["identifier"][0]) -> str:
    (id_,) = client.ids(f"Patient?identifier={identifier['system']}|{identifier['value']}")
    return id_


def rows_of(html: str, caption: str) -> list[list[str]]:
    """The rows of the first table behind some words, cell by cell."""
    table = html[html.index(caption) :].partition("</table>")[0]
    return [
        [text_of(f"<td>{cell}</td>") for cell in re.findall(r"<td[^>]*>(.*?)</td>", row, re.DOTALL)]
        for row in re.findall(r"<tr>(.*?)</tr>", table, re.DOTALL)
        if "<td" in row
    ]


def test_the_figures_are_those_of_the_measure_reports(client: Client, fortnight: Fortnight) -> None:
    html = page(client, fortnight.patient, f"?{FORTNIGHT}")
    told = reports(client.get(f"/fhir/Patient/{fortnight.patient}/$adherence?{FORTNIGHT}"))
    shown = dict(zip(worked_example.FIGURES, rows_of(html, "Done and due"), strict=True))
    for name, (numerator, due, _) in worked_example.FIGURES.items():
        _, count, share, interval = shown[name]
        assert count == f"{numerator:g} of {due}"
        exact = score(told[name]) * 100
        assert abs(Decimal(share.rstrip("%")) - exact) <= Decimal("0.05"), name
        if name == "dose":
            assert interval == "none: an average"
            continue
        assert counts(told[name])["numerator"] == numerator
        (ends,) = told[name]["group"][0]["measureScore"]["extension"]
        low, high = (
            next(one["valueDecimal"] for one in ends["extension"] if one["url"] == end) * 100
            for end in ("low", "high")
        )
        seen = [Decimal(end) for end in re.findall(r"[\d.]+(?=%)", interval)]
        assert abs(seen[0] - low) <= Decimal("0.05"), name
        assert abs(seen[1] - high) <= Decimal("0.05"), name


def test_every_day_is_as_worked_by_hand(client: Client, fortnight: Fortnight) -> None:
    rows = rows_of(page(client, fortnight.patient, f"?{FORTNIGHT}"), "as a table")
    expected = worked_example.expected_days()
    assert len(rows) == len(expected)
    for seen, day in zip(rows, expected, strict=True):
        what, done_of_due, rows_told, state = seen[1:]
        weekday, number, month = str(day["day"]).split()
        assert seen[0] == f"{weekday} {int(number)} {month}"
        due = int(day["opep_due"]) + int(day["ad_due"])
        done = int(day["opep_done"]) + int(day["ad_done"])
        assert done_of_due == (f"{done} of {due}" if due else "")
        assert (int(rows_told), state) == (day["rows"], day["state"])
        assert what == _sign(due, done, int(day["rows"]), int(day["paused"])), day["day"]


def _sign(due: int, done: int, rows: int, paused: int) -> str:
    if not due:
        assert paused
        return "done though nothing was due" if rows else "paused: nothing is due"
    if done == due:
        return "everything due was done"
    if done:
        return "part of it was done"
    return "a log, but nothing due was done" if rows else "due, and nobody logged"


def test_what_the_fortnight_tells(client: Client, fortnight: Fortnight) -> None:
    told = text_of(page(client, fortnight.patient, f"?{FORTNIGHT}"))
    for words in (
        "Nils Invented", "24 March 2031 to 6 April 2031", "As known at 7 April 2031",
        "Days with anything due: 10 with a log, 2 without any.",
        "No trend is worked out: it needs 8 whole weeks",
        "coping well, building up", "this shows no cause",
        "18 received: 18 placed on a day, 0 with a clock in doubt",
        "told as not done 1", "edition 2; zone data",
    ):  # fmt: skip
        assert words in told, words


def test_nothing_speaks_of_causes_or_judges(client: Client, fortnight: Fortnight) -> None:
    told = text_of(page(client, fortnight.patient, f"?{FORTNIGHT}")).lower()
    assert not re.search(r"because of|due to|improved|worsened|poor|good adherence|complian", told)


def test_without_dates_it_is_the_last_half_year(client: Client, fortnight: Fortnight) -> None:
    told = text_of(page(client, fortnight.patient))
    assert "8 October 2030 to 7 April 2031" in told, "26 weeks, the child's today with them"


def test_as_known_then(client: Client, fortnight: Fortnight) -> None:
    """Before the logs came, nothing was known of them."""
    told = text_of(page(client, fortnight.patient, f"?{FORTNIGHT}&knownAt=2031-04-05T00:00:00Z"))
    assert "0 received" in told
    assert "As known at 5 April 2031" in told


def test_what_may_not_be_forgotten_comes_first(client: Client) -> None:
    posted = programme(child=TOO_YOUNG, override=[OVERRIDE])
    assert client.post("/programmes", posted).status_code == 201
    told = text_of(page(client, patient_of(client)))
    acting = told[told.index("Before you act") : told.index("In force")]
    assert "Caution, accepted in the plan:" in acting
    assert "Seals well, seen twice in clinic" in acting
    assert "No finding is open. That does not say that nothing is wrong." in acting


def test_an_open_finding_comes_first_and_an_answered_one_does_not(
    client: Client, clock: Clock
) -> None:
    clock.now = datetime(2031, 5, 29, 12, tzinfo=UTC)
    post_programme(client, programme())
    upload(client, _session(1, chestPain=True), _session(2, bleed=True))
    patient = patient_of(client)
    found = client.get(f"/fhir/DetectedIssue?patient=Patient/{patient}")
    titles = {one["resource"]["code"]["text"] for one in resource(found)["entry"]}
    acting = _acting(page(client, patient))
    assert len(titles) >= 2
    assert all(title in acting for title in titles)
    for id_ in client.ids("Task"):
        task = resource(client.get(f"/fhir/Task/{id_}"))
        if task["code"]["coding"][0]["code"] == "chest-pain":
            assert client.put(f"/fhir/Task/{id_}", task | {"status": "completed"}).is_success
    told = page(client, patient)
    assert "Chest pain" not in _acting(told)
    assert "answeredChest pain during a session (severity: high), 28 May 2031" in text_of(told)
    listed = text_of(told)
    assert "28 May 2031: blood, streaks, 2 mL" in listed
    assert "28 May 2031: chest pain" in listed


def _acting(html: str) -> str:
    told = text_of(html)
    return told[told.index("Before you act") : told.index("In force")]


def _session(number: int, *, bleed: bool = False, **more: object) -> dict[str, object]:
    blood = {"blood": {"seen": "streaks", "volume": 2}} if bleed else {}
    return {
        "id": {"system": "https://diary.example/session", "value": str(number)},
        "source": "diary", "child": CHILD["identifier"][0], "technique": "opep",
        "start": f"2031-05-28T{6 + number:02}:00:00Z", "recordedBy": "diary",
        "outcome": "complete", "cycles": 6, **blood, **more,
    }  # fmt: skip


def test_a_child_without_anything(client: Client) -> None:
    made = client.post("/fhir/Patient", {"resourceType": "Patient"})
    told = text_of(page(client, resource(made)["id"]))
    for words in ("No plan is in force.", "no plan was in force", "The record holds none.",
                  "0 received", "No week has a figure"):  # fmt: skip
        assert words in told + page(client, resource(made)["id"]), words


def test_names_are_escaped(client: Client) -> None:
    named = CHILD | {"name": {"text": HOSTILE}}
    posted = programme(child=named, title=HOSTILE, changeReason=HOSTILE)
    assert client.post("/programmes", posted).status_code == 201
    patient = patient_of(client)
    html = page(client, patient)
    assert "<script" not in html
    assert "onload=alert(2)>" not in html.replace("&gt;", "")
    assert HOSTILE in text_of(html)
    drawn = client.get(f"/fhir/Patient/{patient}/$review", accept="image/svg+xml").text
    root = ElementTree.fromstring(drawn)  # noqa: S314  (our own answer)
    assert HOSTILE in root.findtext(f"{SVG}title", "")
    assert not root.findall(f".//{SVG}script")


def test_the_chart_alone_as_svg(client: Client, fortnight: Fortnight) -> None:
    """Well-formed, self-contained, with a title and a description (SVG 1.1, section 5.4)."""
    answer = client.get(
        f"/fhir/Patient/{fortnight.patient}/$review?{FORTNIGHT}", accept="image/svg+xml"
    )
    assert answer.headers["content-type"].partition(";")[0] == "image/svg+xml"
    root = ElementTree.fromstring(answer.text)  # noqa: S314
    assert (root.tag, root.get("role")) == (f"{SVG}svg", "img")
    assert "Nils Invented" in root.findtext(f"{SVG}title", "")
    assert "14 days: everything due done on 6" in root.findtext(f"{SVG}desc", "")
    assert {one.tag.removeprefix(SVG) for one in root.iter()} <= {
        "svg", "title", "desc", "rect", "g", "path", "text",
    }  # fmt: skip
    values = {value for one in root.iter() for value in one.attrib.values()}
    assert not [value for value in values if "url(" in value or "://" in value]
    colours = {one.get(name) for one in root.iter() for name in ("fill", "stroke")}
    assert colours <= {None, "none", "#000", "#fff"}, "black on white"


def test_the_chart_alone_as_png(client: Client, fortnight: Fortnight) -> None:
    """Read by the format's own rules (PNG, third edition, sections 5.2 and 11.2.1)."""
    pytest.importorskip("resvg_py", reason="resvg-py is not installed")
    path = f"/fhir/Patient/{fortnight.patient}/$review?{FORTNIGHT}"
    answer = client.get(path, accept="image/png")
    assert answer.headers["content-type"] == "image/png"
    assert answer.content[:8] == b"\x89PNG\r\n\x1a\n"
    assert answer.content[12:16] == b"IHDR"
    width, height = struct.unpack(">II", answer.content[16:24])
    drawn = ElementTree.fromstring(client.get(path, accept="image/svg+xml").text)  # noqa: S314
    assert width == 3 * float(drawn.get("width", 0))
    assert abs(height - 3 * float(drawn.get("height", 0))) < 3


def test_png_is_501_where_it_cannot_be_made(
    client: Client, fortnight: Fortnight, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(__import__("sys").modules, "resvg_py", None)
    answer = client.get(f"/fhir/Patient/{fortnight.patient}/$review", accept="image/png")
    assert answer.status_code == 501
    assert "image/svg+xml" in issues(answer)[0]["diagnostics"]


def test_the_page_loads_nothing_and_is_kept_nowhere(client: Client, fortnight: Fortnight) -> None:
    answer = client.get(f"/fhir/Patient/{fortnight.patient}/$review", accept="text/html")
    assert answer.headers["cache-control"] == "no-store"
    assert "default-src 'none'" in answer.headers["content-security-policy"]
    assert answer.headers["vary"].startswith("Accept")
    assert not re.search(r"<script|<link|<img| src=|@import", answer.text)


@pytest.mark.parametrize(
    ("accept", "query", "expected"),
    [("*/*", "", "text/html"), ("text/*", "", "text/html"), ("image/*", "", "image/svg+xml"),
     ("text/html;q=0.2, image/svg+xml", "", "image/svg+xml"),
     ("text/html", "?_format=svg", "image/svg+xml")],
)  # fmt: skip
def test_the_form_is_what_the_client_wants_most(
    client: Client, fortnight: Fortnight, accept: str, query: str, expected: str
) -> None:
    answer = client.get(f"/fhir/Patient/{fortnight.patient}/$review{query}", accept=accept)
    assert answer.headers["content-type"].partition(";")[0] == expected


@pytest.mark.parametrize(
    ("accept", "query"), [("application/fhir+json", ""), ("text/html", "?_format=pdf")]
)
def test_other_forms_are_406(client: Client, fortnight: Fortnight, accept: str, query: str) -> None:
    answer = client.get(f"/fhir/Patient/{fortnight.patient}/$review{query}", accept=accept)
    assert answer.status_code == 406
    assert "image/png, image/svg+xml, text/html" in issues(answer)[0]["diagnostics"]


@pytest.mark.parametrize(
    ("query", "place", "expected"),
    [
        ("lang=cy", "http.lang", "en, ar, fr"),
        ("start=2031-13-01", "http.start", "must be a day"),
        ("end=yesterday", "http.end", "must be a day"),
        ("start=2031-04-06&end=2031-04-05", "end", "comes before"),
        ("start=2021-04-06&end=2031-04-05", "end", "At most 732 days"),
        ("knownAt=2031-04-06", "http.knownAt", "seconds and offset"),
        ("knownAt=2041-04-06T00:00:00Z", "http.knownAt", "not known yet"),
        ("start=2031-04-01&start=2031-04-02", "http.start", "once is expected"),
        ("colour=red", "http.colour", "start, end, knownAt, lang"),
    ],
)
def test_parameters_that_make_no_sense_are_400(
    client: Client, fortnight: Fortnight, query: str, place: str, expected: str
) -> None:
    answer = client.get(f"/fhir/Patient/{fortnight.patient}/$review?{query}")
    assert answer.status_code == 400, answer.text[:200]
    assert issues(answer)[0]["expression"] == [place]
    assert expected in issues(answer)[0]["diagnostics"]


def test_parameters_may_come_in_a_body(client: Client, fortnight: Fortnight) -> None:
    asked = {"resourceType": "Parameters", "parameter": [
        {"name": "start", "valueDate": worked_example.FIRST},
        {"name": "end", "valueDate": worked_example.LAST},
        {"name": "knownAt", "valueDateTime": "2031-04-07T09:00:00Z"},
        {"name": "lang", "valueCode": "fr"},
    ]}  # fmt: skip
    answer = client.post(f"/fhir/Patient/{fortnight.patient}/$review", asked, accept="text/html")
    assert answer.status_code == 200, answer.text
    assert answer.headers["content-language"] == "fr"
    assert "14 sur 21" in text_of(answer.text)


def test_a_child_who_is_not_here_is_404(client: Client) -> None:
    assert client.get("/fhir/Patient/nowhere/$review").status_code == 404


def test_two_years_are_answered_and_bounded(client: Client, clock: Clock) -> None:
    post_programme(client, programme(start="2027-03-01", child=CHILD | {"birthDate": "2019-01-01"}))
    patient = patient_of(client)
    html = page(client, patient, "?start=2029-03-08&end=2031-03-09")
    assert len(html) < 400_000
    assert client.get(f"/fhir/Patient/{patient}/$review?start=2021-03-08").status_code == 400


def test_it_is_told_in_the_capability_statement(client: Client) -> None:
    statement = resource(client.get("/fhir/metadata"))
    patients = next(one for one in statement["rest"][0]["resource"] if one["type"] == "Patient")
    definition = {one["name"]: one["definition"] for one in patients["operation"]}["review"]
    found = resource(client.get(f"/fhir/OperationDefinition?url={definition}"))
    names = {one["name"] for one in found["entry"][0]["resource"]["parameter"]}
    assert names == {"start", "end", "knownAt", "lang", "return"}
