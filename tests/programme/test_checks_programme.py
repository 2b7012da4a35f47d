"""A programme is accepted, or everything that is wrong with it is named at its place."""

from decimal import Decimal
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from trade_examples import programme

from service.programme.checks import check_programme

Change = tuple[str, Any]


def _changed(*changes: Change) -> dict[str, Any]:
    """A good programme with values put at paths like ``regimen.0.dose.breaths``."""
    raw = programme()
    for path, value in changes:
        *way, last = path.split(".")
        place: Any = raw
        for step in way:
            place = place[int(step)] if isinstance(place, list) else place.setdefault(step, {})
        if value is Ellipsis:
            del place[last]
        elif isinstance(place, list):
            place[int(last) :] = [value]
        else:
            place[last] = value
    return raw


def _found(raw: Any) -> set[tuple[str, str]]:
    return {
        (problem.path.removeprefix("Programme."), problem.key)
        for problem in check_programme(raw).problems
    }


def test_a_good_programme_is_accepted_as_it_is() -> None:
    checked = check_programme(programme())
    assert checked.problems == ()
    assert checked.value is not None
    assert [regimen.key for regimen in checked.value.regimen] == ["opep", "drainage"]


def test_a_programme_for_unwell_days_only_is_valid() -> None:
    raw = _changed(("regimen.0.healthState", "unwell"), ("regimen.0.unwellRule", "adds"))
    raw["regimen"] = raw["regimen"][:1]
    assert _found(raw) == set()


WRONG: list[tuple[list[Change], str, str]] = [
    ([("regimen.0.technique", "opeq")], "regimen[0].technique", "unknown-technique"),
    ([("regimen.0.dose.breaths", -10)], "regimen[0].dose.breaths", "impossible-number"),
    ([("regimen.0.dose.breaths", 4000)], "regimen[0].dose.breaths", "impossible-number"),
    ([("regimen.0.dose.breaths", "10")], "regimen[0].dose.breaths", "wrong-value"),
    ([("regimen.0.dose.breaths", 10.0)], "regimen[0].dose.breaths", "wrong-value"),
    ([("regimen.0.dose.breaths", True)], "regimen[0].dose.breaths", "wrong-value"),
    ([("regimen.0.dose.breaths", ...)], "regimen[0].dose.breaths", "dose-part-missing"),
    ([("regimen.0.dose", ...)], "regimen[0].dose", "dose-part-missing"),
    ([("regimen.1.dose.minutes", 0)], "regimen[1].dose.minutes", "impossible-number"),
    (
        [("regimen.1.dose", {"phase": [{"name": "low"}], "basis": "minutes"})],
        "regimen[1].dose.minutes",
        "dose-part-missing",
    ),
    (
        [("regimen.0.dose.buildUp", {"start": 12, "step": 1, "everyDays": 3})],
        "regimen[0].dose.buildUp.start",
        "build-up-above-target",
    ),
    (
        [("regimen.0.dose.pressure", {"low": 20, "high": 10})],
        "regimen[0].dose.pressure.low",
        "band-upside-down",
    ),
    (
        [("regimen.0.dose.frequency", {"low": -6, "high": 26})],
        "regimen[0].dose.frequency.low",
        "impossible-number",
    ),
    ([("regimen.0.dose.setting.value", 7)], "regimen[0].dose.setting.value", "setting-off-scale"),
    ([("regimen.1.key", "opep")], "regimen[1].key", "duplicate-key"),
    ([("regimen.0.device", "other")], "regimen[0].device", "unknown-device"),
    ([("regimen.0.unwellRule", "adds")], "regimen[0].unwellRule", "unwell-rule"),
    ([("regimen.0.healthState", "unwell")], "regimen[0].unwellRule", "unwell-rule"),
    ([("regimen.0.healthState", "tired")], "regimen[0].healthState", "unknown-code"),
    (
        [("regimen.0.position", [{"position": "upside-down", "use": "advised"}])],
        "regimen[0].position[0].position",
        "unknown-position",
    ),
    ([("device.0.kind", "kazoo")], "device[0].kind", "unknown-device-kind"),
    (
        [("device.1", {"key": "blower", "kind": "pep-mask"})],
        "device[1].key",
        "duplicate-key",
    ),
    ([("end", "2031-03-02")], "end", "end-before-start"),
    (
        [("hold", [{"start": "2031-04-02", "end": "2031-04-01"}])],
        "hold[0].end",
        "end-before-start",
    ),
    ([("start", "2031-02-30")], "start", "wrong-value"),
    ([("start", "2031-03-03T07:00:00")], "start", "wrong-value"),
    ([("start", "0031-03-03")], "start", "impossible-date"),
    ([("start", "2021-03-03")], "start", "before-birth"),
    ([("timeZone.0.zone", "Europe/Atlantis")], "timeZone[0].zone", "unknown-zone"),
    ([("timeZone.0.zone", "../../etc/passwd")], "timeZone[0].zone", "unknown-zone"),
    ([("timeZone", [])], "timeZone", "missing"),
    ([("timeZone.1", {"zone": "Asia/Tokyo"})], "timeZone[1].since", "zone-order"),
    ([("child", ...)], "child", "missing"),
    ([("child.identifier", ...)], "child.identifier", "child-identifier"),
    ([("child.reference", "Patient/17")], "child.name", "reference-and-description"),
    ([("author", {"role": "physiotherapist"})], "author", "who-it-is"),
    ([("author", {"reference": "Dr Who"})], "author.reference", "bad-reference"),
    ([("colour", "blue")], "colour", "unknown-field"),
    ([("day_boundary", "04:00")], "day_boundary", "unknown-field"),
    (
        [("goal", [{"key": "g", "description": "run", "target": {"measure": "laps"}}])],
        "goal[0].target.measure",
        "unknown-goal-measure",
    ),
]


@pytest.mark.parametrize(("changes", "path", "key"), WRONG, ids=[f"{p} {k}" for _, p, k in WRONG])
def test_each_mistake_is_named_at_its_place(changes: list[Change], path: str, key: str) -> None:
    checked = check_programme(_changed(*changes))
    assert checked.value is None
    assert (path, key) in _found(_changed(*changes))


APART: list[tuple[Change, str, str]] = [
    (("regimen.0.dose.breaths", -10), "regimen[0].dose.breaths", "impossible-number"),
    (("regimen.0.dose.huffs", 900), "regimen[0].dose.huffs", "impossible-number"),
    (("regimen.0.dose.hold", "long"), "regimen[0].dose.hold", "wrong-value"),
    (("regimen.0.device", "other"), "regimen[0].device", "unknown-device"),
    (("regimen.0.unwellRule", "adds"), "regimen[0].unwellRule", "unwell-rule"),
    (("regimen.0.colour", "blue"), "regimen[0].colour", "unknown-field"),
    (("regimen.0.schedule.periodUnit", ...), "regimen[0].schedule.periodUnit",
     "schedule-period-unit"),
    (("regimen.1.technique", "singing"), "regimen[1].technique", "unknown-technique"),
    (("regimen.1.dose.minutes", ...), "regimen[1].dose.minutes", "dose-part-missing"),
    (("regimen.1.schedule.dayOfWeek", ["Mon"]), "regimen[1].schedule.dayOfWeek[0]",
     "unknown-code"),
    (("regimen.1.key", "opep"), "regimen[1].key", "duplicate-key"),
    (("device.0.kind", 3), "device[0].kind", "wrong-value"),
    (("end", "2031-03-01"), "end", "end-before-start"),
    (("timeZone.0.zone", "Nowhere"), "timeZone[0].zone", "unknown-zone"),
    (("child.sex", "F"), "child.sex", "unknown-code"),
    (("child.identifier", ...), "child.identifier", "child-identifier"),
    (("author.reference", "?"), "author.reference", "bad-reference"),
    (("team.name", ...), "team", "who-it-is"),
    (("status", "paused"), "status", "unknown-code"),
]  # fmt: skip


@given(chosen=st.sets(st.integers(0, len(APART) - 1)))
def test_no_mistake_hides_another(chosen: set[int]) -> None:
    """Any of these together: each is named."""
    found = _found(_changed(*(APART[index][0] for index in chosen)))
    assert {APART[index][1:] for index in chosen} <= found
    assert bool(found) == bool(chosen)


def test_shape_and_rule_and_caution_are_named_together() -> None:
    raw = _changed(
        ("regimen.0.technique", "bubbles"),
        ("regimen.0.dose.breaths", -10),
        ("regimen.1.dose.minutes", "twenty"),
        ("regimen.1.position", [{"position": "head-down", "use": "advised"}]),
        ("end", "2030-01-01"),
        ("timeZone.0.zone", "Mars/Base"),
        ("team", ...),
    )
    assert _found(raw) == {
        ("regimen[0].technique", "unknown-technique"),
        ("regimen[0].dose.breaths", "impossible-number"),
        ("regimen[1].dose.minutes", "wrong-value"),
        ("regimen[1].position[0].position", "head-down"),
        ("end", "end-before-start"),
        ("timeZone[0].zone", "unknown-zone"),
        ("team", "missing"),
    }


@pytest.mark.parametrize("raw", [None, 7, "programme", [], [{}], {"regimen": 3}, {"regimen": [3]}])
def test_anything_at_all_gets_an_answer(raw: Any) -> None:
    checked = check_programme(raw)
    assert checked.value is None
    assert checked.problems


@given(
    raw=st.recursive(
        st.none() | st.booleans() | st.integers() | st.text(max_size=8) | st.decimals(),
        lambda inner: (
            st.lists(inner, max_size=3)
            | st.dictionaries(
                st.sampled_from(
                    [
                        "regimen",
                        "dose",
                        "schedule",
                        "start",
                        "end",
                        "child",
                        "timeZone",
                        "zone",
                        "key",
                    ]
                ),
                inner,
                max_size=5,
            )
        ),
        max_leaves=20,
    )
)
def test_no_input_breaks_the_check(raw: Any) -> None:
    assert check_programme(raw).value is None


def _beside(**changes: Any) -> dict[str, Any]:
    """A second OPEP regimen beside the first; it differs only as stated."""
    first = programme()["regimen"][0]
    return programme(regimen=[first, first | {"key": "second"} | changes])


@pytest.mark.parametrize(
    "changes",
    [
        {},
        {"dose": {"basis": "minutes", "minutes": 15}},
        {"healthState": "any"},
        {"schedule": {"frequency": 1, "period": 1, "periodUnit": "wk"}},
    ],
)
def test_two_doses_for_one_technique_state_and_time_are_refused(changes: dict[str, Any]) -> None:
    assert _found(_beside(**changes)) == {("regimen[1]", "two-doses")}


@pytest.mark.parametrize(
    "changes",
    [
        {"healthState": "unwell", "unwellRule": "adds"},
        {"asNeeded": True},
        {"schedule": {"timeOfDay": ["07:00"]}},
    ],
)
def test_what_tells_two_regimens_apart(changes: dict[str, Any]) -> None:
    assert _found(_beside(**changes)) == set()


def test_weekdays_places_and_dates_tell_two_regimens_apart() -> None:
    for first, second in [
        ({"schedule": {"dayOfWeek": ["mon"]}}, {"schedule": {"dayOfWeek": ["tue"]}}),
        ({"place": ["home"]}, {"place": ["school"]}),
        (
            {"schedule": {"dayOfWeek": ["mon"], "bounds": {"end": "2031-04-01"}}},
            {"schedule": {"dayOfWeek": ["mon"], "bounds": {"start": "2031-04-02"}}},
        ),
        ({"oneOf": "daily"}, {"oneOf": "daily"}),
    ]:
        raw = _beside(**second)
        raw["regimen"][0] |= first
        assert _found(raw) == set()


def test_decimals_keep_their_digits() -> None:
    raw = _changed(("regimen.0.dose.hold", Decimal("2.50")))
    checked = check_programme(raw)
    assert checked.value is not None
    assert str(checked.value.to_json()["regimen"][0]["dose"]["hold"]) == "2.50"
