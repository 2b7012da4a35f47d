"""$adherence of a Group, and Measure/$evaluate-measure, over HTTP."""

import csv
import io
from datetime import UTC, datetime
from typing import Any

import pytest
import worked_example
from adherence_http import (
    DONE,
    FORTNIGHT,
    Fortnight,
    counts,
    logged,
    post_programme,
    reports,
    two_a_day,
    upload,
)
from api_client import Client, issues, places, resource
from serious import serious
from set_clock import Clock

from service.api.services import Services
from service.programme.intervals import mean_with_interval

MAY = "start=2031-03-24&end=2031-05-11"
PERIOD = "periodStart=2031-03-24&periodEnd=2031-05-11"


class Two:
    """The child of the worked fortnight and the child of the week with two a day, in a Group."""

    def __init__(self, client: Client, clock: Clock) -> None:
        self.first = Fortnight(client, clock).patient
        clock.now = datetime(2031, 5, 12, 9, tzinfo=UTC)
        post_programme(client, {**two_a_day(), "start": "2031-05-05", "end": "2031-05-11"})
        upload(client, *(logged(day, n) for day, done in enumerate(DONE) for n in range(done)))
        (self.second,) = client.ids("Patient?identifier=https://clinic.example/child|C-9")
        self.put(client, self.first, self.second)

    def put(self, client: Client, *children: str, **more: Any) -> None:
        member = [{"entity": {"reference": f"Patient/{child}"}, **more} for child in children]
        group = {
            "resourceType": "Group", "id": "ours", "type": "person", "actual": True,
            "member": member,
        }  # fmt: skip
        assert client.put("/fhir/Group/ours", group).status_code in (200, 201)

    def each(self, client: Client, query: str = MAY) -> dict[str, dict[str, Any]]:
        return {
            child: reports(client.get(f"/fhir/Patient/{child}/$adherence?{query}"))
            for child in (self.first, self.second)
        }


@pytest.fixture
def two(client: Client, clock: Clock) -> Two:
    return Two(client, clock)


def value(report: Any) -> float:
    return float(report["group"][0]["measureScore"]["value"])


def ends(report: Any) -> tuple[float, float]:
    (interval,) = report["group"][0]["measureScore"]["extension"]
    parts = {part["url"]: part for part in interval["extension"]}
    return float(parts["low"]["valueDecimal"]), float(parts["high"]["valueDecimal"])


# -- summaries -------------------------------------------------------------------------------------


def test_a_summary_is_the_mean_of_the_children_and_the_sum_of_their_counts(
    client: Client, two: Two, services: Services
) -> None:
    answer = client.get(f"/fhir/Group/ours/$adherence?{MAY}")
    found, each = reports(answer), two.each(client)
    assert serious(services.validator.validate(resource(answer))) == []
    for name, report in found.items():
        assert (report["type"], report["subject"]) == ("summary", {"reference": "Group/ours"})
        scores = [value(child[name]) for child in each.values() if _has_score(child[name])]
        assert value(report) == pytest.approx(sum(scores) / len(scores), abs=1e-4)
        told, children = counts(report), [counts(child[name]) for child in each.values()]
        assert told.pop("initial-population") == 2
        for code, count in told.items():
            assert count == sum(child[code] for child in children), (name, code)
    sessions = [value(child["sessions"]) for child in each.values()]
    _, low, high = mean_with_interval(sessions)
    assert low is not None
    assert high is not None
    assert ends(found["sessions"]) == pytest.approx((max(0, low), min(1, high)), abs=1e-3)


def _has_score(report: Any) -> bool:
    return "value" in report["group"][0]["measureScore"]


def test_a_summary_names_no_child(client: Client, two: Two) -> None:
    text = client.get(f"/fhir/Group/ours/$adherence?{MAY}").text
    assert two.first not in text
    assert two.second not in text
    assert "Observation/" not in text
    assert "CarePlan/" not in text


def test_a_summary_as_a_table(client: Client, two: Two) -> None:
    answer = client.get(f"/fhir/Group/ours/$adherence?{MAY}", accept="text/csv")
    rows = {row["figure"]: row for row in csv.DictReader(io.StringIO(answer.text))}
    found = reports(client.get(f"/fhir/Group/ours/$adherence?{MAY}"))
    assert rows.keys() == found.keys()
    assert float(rows["sessions"]["mean_score"]) == value(found["sessions"])
    assert (rows["sessions"]["children"], rows["sessions"]["scored"]) == ("2", "2")


# -- lists -----------------------------------------------------------------------------------------


def test_a_list_holds_each_child_s_own_answer(client: Client, two: Two, services: Services) -> None:
    answer = client.get(f"/fhir/Group/ours/$adherence?{MAY}&reportType=subject-list")
    assert serious(services.validator.validate(resource(answer))) == []
    each = two.each(client)
    for name, report in reports(answer).items():
        assert report["type"] == "subject-list"
        results = report["group"][0]["population"][0]["subjectResults"]
        contained = {f"#{one['id']}": one for one in report["contained"]}
        entries = contained[results["reference"]]["entry"]
        found = [contained[entry["item"]["reference"]] for entry in entries]
        assert {one["subject"]["reference"].partition("/")[2] for one in found} == each.keys()
        for one in found:
            alone = each[one["subject"]["reference"].partition("/")[2]][name]
            assert {**one, "id": alone["id"]} == alone


def test_the_ledgers_of_a_list_as_one_table(client: Client, two: Two) -> None:
    path = f"$adherence?{MAY}"
    answer = client.get(f"/fhir/Group/ours/{path}&reportType=subject-list", accept="text/csv")
    rows = list(csv.DictReader(io.StringIO(answer.text)))
    for child in (two.first, two.second):
        alone = client.get(f"/fhir/Patient/{child}/{path}", accept="text/csv")
        expected = [
            {"child": f"Patient/{child}", **row} for row in csv.DictReader(io.StringIO(alone.text))
        ]
        assert [row for row in rows if row["child"] == f"Patient/{child}"] == expected


# -- who belongs -----------------------------------------------------------------------------------


def _asked(client: Client, query: str = MAY) -> int:
    found = reports(client.get(f"/fhir/Group/ours/$adherence?{query}"))
    return counts(found["sessions"])["initial-population"]


MEMBERS: list[tuple[dict[str, Any], int]] = [
    ({"inactive": True}, 0),
    ({"period": {"end": "2031-03-23"}}, 0),
    ({"period": {"end": "2031-03"}}, 2),
    ({"period": {"start": "2031-05-12"}}, 0),
    ({"period": {"start": "2031-05-11T08:00:00+02:00"}}, 2),
]


def test_members_are_those_who_belonged_on_any_of_the_days(client: Client, two: Two) -> None:
    for more, children in MEMBERS:
        two.put(client, two.first, two.second, **more)
        assert _asked(client) == children, more


def test_a_group_that_changed_is_asked_as_it_was_known(
    client: Client, clock: Clock, two: Two
) -> None:
    then = "2031-05-12T09:00:00Z"
    clock.move(days=1)
    two.put(client, two.first)
    assert _asked(client) == 1
    assert _asked(client, f"{MAY}&knownAt={then}") == 2
    early = client.get(f"/fhir/Group/ours/$adherence?{MAY}&knownAt=2031-04-01T00:00:00Z")
    assert early.status_code == 404


def test_a_child_who_is_not_there_does_not_count(client: Client, two: Two) -> None:
    two.put(client, two.first, two.second, "nobody")
    assert _asked(client) == 2


def test_a_group_of_things_has_no_adherence(client: Client, two: Two) -> None:
    group = {"resourceType": "Group", "id": "things", "type": "device", "actual": True}
    client.put("/fhir/Group/things", group)
    within = {"member": [{"entity": {"reference": "Group/ours"}}], "type": "person"}
    client.put("/fhir/Group/groups", group | within | {"id": "groups"})
    nested = client.get(f"/fhir/Group/groups/$adherence?{MAY}")
    assert (nested.status_code, places(nested)) == (422, ["Group.member"])
    assert client.get(f"/fhir/Group/things/$adherence?{MAY}").status_code == 422
    assert client.get(f"/fhir/Group/none/$adherence?{MAY}").status_code == 404
    of_one = client.get(f"/fhir/Group/ours/$adherence?{MAY}&reportType=subject")
    assert of_one.status_code == 400


def test_a_group_may_be_too_large(client: Client, two: Two) -> None:
    """A list has at most 100 children, a summary 1000; those who are not there count as well."""
    path = f"/fhir/Group/ours/$adherence?{MAY}"
    for size, query, status in (
        (101, "&reportType=subject-list", 422),
        (101, "", 200),
        (1001, "", 422),
    ):
        two.put(client, two.first, *(f"nobody-{k}" for k in range(size - 1)))
        answer = client.get(f"{path}{query}")
        assert answer.status_code == status
        if status != 200:
            assert [issue["code"] for issue in issues(answer)] == ["too-costly"]


# -- one technique, and the course of one child ----------------------------------------------------


def test_one_technique(client: Client, two: Two) -> None:
    """OPEP 12 of 18 and drainage 2 of 3 (the worked fortnight); their rows add up to 18."""
    path, rows = f"/fhir/Patient/{two.first}/$adherence?{FORTNIGHT}", 0
    for technique, expected in worked_example.SPLITS["technique"].items():
        found = reports(client.get(f"{path}&technique={technique}"))["sessions"]
        told = counts(found)
        due = told["denominator"] - told["denominator-exclusion"]
        assert (told["numerator"], due) == expected
        rows += told["received"]
    assert rows == len(worked_example.SESSIONS)
    wrong = client.get(f"{path}&technique=singing")
    assert [issue["expression"] for issue in issues(wrong)] == [["http.technique"]]


def test_weeks_changes_and_rows_of_one_child(client: Client, two: Two) -> None:
    """From the table of the worked fortnight: 10 of 12 done in its first week, 4 of 9 in the other.
    The plan changed on Friday 4 April: 11 of 14 before, 3 of 7 after."""
    found = reports(client.get(f"/fhir/Patient/{two.first}/$adherence?{FORTNIGHT}"))["sessions"]
    told = counts(found)
    assert told["received"] == told["placed"] + told["unplaced"] + told["excluded"] == 18
    weekly = found["group"][0]["stratifier"][-1]
    assert weekly["code"][0]["coding"][0]["code"] == "week"
    weeks = {
        stratum["value"]["text"]: (
            stratum["population"][2]["count"],
            stratum["population"][0]["count"] - stratum["population"][1]["count"],
        )
        for stratum in weekly["stratum"]
    }
    assert weeks == {"2031-03-24/2031-03-30": (10, 12), "2031-03-31/2031-04-06": (4, 9)}
    (change,) = [one for one in found["extension"] if one["url"].endswith("/plan-change")]
    sides = {part["url"]: part.get("extension") for part in change["extension"]}
    shown = [{part["url"]: part for part in sides[side]} for side in ("before", "after")]
    assert [
        (one["numerator"]["valueUnsignedInt"], one["denominator"]["valueUnsignedInt"])
        for one in shown
    ] == [(11, 14), (3, 7)]
    table = client.get(
        f"/fhir/Patient/{two.first}/$adherence?{FORTNIGHT}&table=weeks", accept="text/csv"
    )
    rows = list(csv.DictReader(io.StringIO(table.text)))
    assert [(row["first"], row["done"], row["due"]) for row in rows] == [
        ("2031-03-24", "10", "12"),
        ("2031-03-31", "4", "9"),
    ]


# -- $evaluate-measure -----------------------------------------------------------------------------


def _evaluated(client: Client, query: str, at: str = "Measure/airway-sessions") -> Any:
    answer = client.get(f"/fhir/{at}/$evaluate-measure?{query}")
    assert answer.status_code == 200, answer.text
    return resource(answer)


def test_a_measure_of_one_child_is_the_same_report(
    client: Client, two: Two, services: Services
) -> None:
    for name, expected in two.each(client)[two.first].items():
        at = f"Measure/airway-{name}"
        report = _evaluated(client, f"{PERIOD}&subject=Patient/{two.first}", at)
        assert report == expected
        assert serious(services.validator.validate(report)) == []


def test_a_measure_by_its_names(client: Client, two: Two) -> None:
    expected = _evaluated(client, f"{PERIOD}&subject=Patient/{two.first}")
    base = "https://airway-programmes.example/fhir/Measure/airway-sessions"
    for named in ("airway-sessions", "Measure/airway-sessions", base, f"{base}|0.1.0"):
        query = f"{PERIOD}&subject=Patient/{two.first}&measure={named}"
        assert _evaluated(client, query, "Measure") == expected
    body = {
        "resourceType": "Parameters",
        "parameter": [
            {"name": "measure", "valueString": base},
            {"name": "periodStart", "valueDate": "2031-03-24"},
            {"name": "periodEnd", "valueDate": "2031-05-11"},
            {"name": "subject", "valueString": f"Patient/{two.first}"},
        ],
    }
    answer = client.post("/fhir/Measure/$evaluate-measure", body)
    assert resource(answer) == expected


def test_a_measure_of_a_group_and_of_everybody(
    client: Client, two: Two, services: Services
) -> None:
    group = _evaluated(client, f"{PERIOD}&subject=Group/ours")
    assert group == reports(client.get(f"/fhir/Group/ours/$adherence?{MAY}"))["sessions"]
    everybody = _evaluated(client, PERIOD)
    assert "subject" not in everybody
    assert everybody["group"] == group["group"]
    listed = _evaluated(client, f"{PERIOD}&reportType=subject-list")
    assert len(listed["contained"]) == 1 + 2
    for report in (group, everybody, listed):
        assert serious(services.validator.validate(report)) == []


def test_a_period_may_be_told_by_month(client: Client, two: Two) -> None:
    report = _evaluated(client, "periodStart=2031-03&periodEnd=2031-04")
    assert report["period"] == {"start": "2031-03-01", "end": "2031-04-30"}


def test_only_what_was_received_since_is_listed(client: Client, two: Two) -> None:
    query = f"{PERIOD}&subject=Patient/{two.first}"
    whole = _evaluated(client, query)
    since = _evaluated(client, f"{query}&lastReceivedOn=2031-04-08T00:00:00Z")
    assert len(whole["evaluatedResource"]) == 14
    assert "evaluatedResource" not in since
    assert since["group"] == whole["group"]


REFUSED = [
    ("", 400, "http.periodStart"),
    ("periodStart=2031-03-24", 400, "http.periodEnd"),
    ("periodStart=March&periodEnd=2031", 400, "http.periodStart"),
    ("periodStart=2031-05&periodEnd=2031-04", 400, "end"),
    (f"{PERIOD}&practitioner=Practitioner/x", 422, "http.practitioner"),
    (f"{PERIOD}&subject=Practitioner/x", 400, "http.subject"),
    (f"{PERIOD}&subject=x", 400, "http.subject"),
    (f"{PERIOD}&reportType=subject", 400, "http.reportType"),
    (f"{PERIOD}&measure=airway-days", 400, "http.measure"),
    (f"{PERIOD}&lastReceivedOn=2031-04-08T00:00:00Z", 400, "http.lastReceivedOn"),
    (f"{PERIOD}&knownAt=2031-04-08T00:00:00Z", 400, "http.knownAt"),
]


def test_what_is_refused(client: Client) -> None:
    for query, status, place in REFUSED:
        answer = client.get(f"/fhir/Measure/airway-sessions/$evaluate-measure?{query}")
        assert answer.status_code == status, query
        assert [issue["expression"] for issue in issues(answer)] == [[place]], query


def test_a_measure_that_nobody_here_computes(client: Client) -> None:
    for named, status in (("airway-joy", 422), (None, 400)):
        query = f"{PERIOD}&measure={named}" if named else PERIOD
        answer = client.get(f"/fhir/Measure/$evaluate-measure?{query}")
        assert answer.status_code == status
    assert client.get(f"/fhir/Measure/none/$evaluate-measure?{PERIOD}").status_code == 404
    nobody = client.get(f"/fhir/Measure/airway-days/$evaluate-measure?{PERIOD}&subject=Patient/no")
    assert nobody.status_code == 404
