"""Resources loaded in bulk: each row under its id, bad ones refused alone, twice is once."""

import json
from collections import Counter
from collections.abc import Callable, Iterable, Iterator
from decimal import Decimal
from functools import cache
from typing import Any

import pytest
import trade_examples
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from profile_files import PASSING
from record_samples import AUTHOR, observation, patient
from set_clock import Clock

from service.compose import build_maker
from service.fhir.json import JsonObject, read, write
from service.fhir.search.terms import Condition
from service.record import Record
from service.record.bulk import Loading, Maker, Progress, SentRow, rows_of
from service.record.bulk.rows import BATCH_ROWS
from service.record.programmes import Programmes

Load = Callable[..., list[Progress]]


@cache
def maker() -> Maker:
    return build_maker()


@pytest.fixture
def load(record: Record) -> Load:
    def load(*rows: JsonObject | bytes) -> list[Progress]:
        texts = [row if isinstance(row, bytes) else write(row) for row in rows]
        loading = Loading(record, AUTHOR, maker, reason="moved house", workers=1)
        return list(loading.take(rows_of(text + b"\n" for text in texts)))

    return load


def done(told: Iterable[Progress]) -> dict[str, int]:
    """How the rows of a load ended."""
    ends: Counter[str] = Counter()
    for one in told:
        ends.update(one.done)
        ends["refused"] += len(one.refused)
    return {end: count for end, count in ends.items() if count}


def current(record: Record, type_: str) -> dict[str, JsonObject]:
    return {v.id: read(v.body) for v in record.search(AUTHOR, type_).versions}


def test_rows_refer_to_each_other_in_any_order(record: Record, load: Load) -> None:
    about = {"subject": {"reference": "Patient/child"}}
    told = load(observation(1, id="first", **about), patient(id="child"))
    assert done(told) == {"created": 2}
    found = record.search(
        AUTHOR, "Observation", [Condition.refers_to("subject", "Patient", "child")]
    )
    assert [version.id for version in found.versions] == ["first"]


def test_a_batch_has_one_provenance(record: Record, load: Load) -> None:
    load(observation(1, id="a"), patient(id="b"))
    (told,) = current(record, "Provenance").values()
    assert [one["reference"] for one in told["target"]] == [
        "Observation/a/_history/1",
        "Patient/b/_history/1",
    ]
    assert told["reason"] == [{"text": "moved house"}]
    assert len(record.events(0)) == 3


def test_a_bad_row_is_refused_alone_with_number_reason_and_row(load: Load) -> None:
    spoilt = observation(1, id="bad", status="nope")
    told = load(
        patient(id="good"),
        spoilt,
        b"",
        b'{"resourceType":"Patient","id":"x","id":"y"}',
        b"[1]",
        b'{"resourceType":"Bundle","type":"collection"}',
        b'{"resourceType":"StructureDefinition"}',
        b"\xff",
        patient(id="good too"),
        patient(id="also-good"),
    )
    assert done(told) == {"created": 2, "refused": 7}
    refused = [row.to_json() for one in told for row in one.refused]
    assert [one["row"] for one in refused] == [2, 4, 5, 6, 7, 8, 9]
    assert refused[0]["resource"] == spoilt
    assert refused[0]["outcome"]["resourceType"] == "OperationOutcome"
    (issue,) = refused[0]["outcome"]["issue"]
    assert issue["expression"] == ["Observation.status"]
    assert "text" in refused[1]
    assert all(one["outcome"]["issue"] for one in refused)
    assert [issue["expression"] for issue in refused[6]["outcome"]["issue"]] == [["Patient.id"]]


def test_a_row_that_is_too_long_is_refused_and_not_held() -> None:
    rows = list(rows_of([b"x" * 50, b"x" * 60 + b"\n", b"{}\n"], max_bytes=100))
    assert rows == [SentRow(1, None), SentRow(2, b"{}")]
    (made, _) = maker()(rows)
    assert isinstance(made, tuple)
    assert made[0].code == "too-long"


def test_what_is_loaded_twice_is_kept_once(record: Record, load: Load) -> None:
    rows = [observation(Decimal("1.50"), id="a"), observation(2), patient(id="c")]
    assert done(load(*rows)) == {"created": 3}
    events = record.events(0)
    assert done(load(*rows)) == {"unchanged": 3}
    otherwise = [{name: row[name] for name in reversed(row)} for row in rows if "id" in row]
    assert done(load(*otherwise)) == {"unchanged": 2}
    assert record.events(0) == events


def test_rows_of_one_id_are_taken_in_their_order(record: Record, load: Load) -> None:
    many = [observation(number, id="same") for number in range(BATCH_ROWS + 5)]
    assert done(load(*many)) == {"created": 1, "updated": BATCH_ROWS + 4}
    versions = record.versions(AUTHOR, [("Observation", "same")])
    assert [read(one.body)["valueQuantity"]["value"] for one in versions] == list(range(len(many)))
    assert [one.version for one in versions] == list(range(1, len(many) + 1))
    assert done(load(many[-1])) == {"unchanged": 1}


def test_a_load_goes_on_from_what_the_record_has(record: Record, load: Load) -> None:
    load(observation(1, id="a"))
    assert done(load(observation(2, id="a"), observation(2, id="a"))) == {
        "updated": 1,
        "unchanged": 1,
    }
    assert record.read(AUTHOR, "Observation", "a").version == 2


# -- plans ---------------------------------------------------------------------------------------


OVERRIDE = {
    "caution": "pressure-outside-band",
    "regimen": "opep",
    "author": "Sam Sample",
    "reason": "Measured with a manometer in clinic",
}


@pytest.fixture
def plan(record: Record, clock: Clock) -> list[JsonObject]:
    """A plan whose one caution is overridden, as resources; another programme than the record's."""
    document = trade_examples.programme(id="meadow-3", override=[OVERRIDE])
    document["regimen"][0]["dose"]["pressure"] = {"low": 10, "high": 35}
    Programmes(record, clock).post(document, AUTHOR)
    types = ("CarePlan", "ServiceRequest", "DeviceRequest")
    members = [one for type_ in types for one in current(record, type_).values()]
    text = json.dumps(members, default=float).replace("meadow-3", "meadow-4")
    for one in members:
        text = text.replace(one["id"], f"of-{one['id']}")
    copies: list[JsonObject] = json.loads(text)
    return copies


def without_override(plan: JsonObject) -> JsonObject:
    kept = [one for one in plan["extension"] if not one["url"].endswith("/caution-override")]
    return plan | {"extension": kept}


def test_a_plan_is_judged_as_it_would_stand(
    record: Record, load: Load, plan: list[JsonObject]
) -> None:
    care_plan, *others = plan
    spoilt = [*others, patient(id="somebody"), without_override(care_plan)]
    told = load(*spoilt)
    assert done(told) == {"created": 1, "refused": len(plan)}
    keys = [
        issue["details"]["coding"][0]["code"]
        for one in told
        for row in one.refused
        for issue in row.to_json()["outcome"]["issue"]
    ]
    assert keys == ["pressure-outside-band"] * len(plan)
    assert record.read(AUTHOR, "Patient", "somebody").version == 1
    assert not any(id_.startswith("of-") for id_ in current(record, "ServiceRequest"))
    assert done(load(*others, care_plan)) == {"created": len(plan)}
    assert done(load(without_override(care_plan))) == {"refused": 1}


# -- laws ----------------------------------------------------------------------------------------


def plain(text: bytes) -> Any:
    """The values by the standard library, numbers as exact digits, without the server's own."""
    value = json.loads(text, parse_float=lambda digits: Decimal(digits).as_tuple())
    meta = {n: v for n, v in value.pop("meta", {}).items() if n not in ("versionId", "lastUpdated")}
    return value | ({"meta": meta} if meta else {})


def examples() -> Iterator[bytes]:
    """The profiles' own examples, as lines."""
    for path in PASSING:
        resource = read(path.read_bytes())
        if resource["resourceType"] not in ("Bundle", "Measure"):
            yield write(resource | {"id": f"{path.stem[:60]}"})


@settings(
    max_examples=25, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(order=st.permutations(list(examples())))
def test_what_is_loaded_is_what_can_be_read(record: Record, load: Load, order: list[bytes]) -> None:
    told = done(load(*order))
    assert told in ({"created": len(order)}, {"unchanged": len(order)})
    for text in order:
        sent = plain(text)
        stored = record.read(AUTHOR, sent["resourceType"], sent["id"])
        assert plain(stored.body) == sent
        assert record.total(AUTHOR, sent["resourceType"]) >= 1
