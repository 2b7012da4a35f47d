"""Documents of the trade for property tests: whole, valid, and as varied as the models allow.

``programmes()``, ``sessions()``, ``health_states()`` and ``pauses()`` give models that
``service.programme.checks`` accepts; the cautions that a programme raises are overridden in it.
"""

from datetime import UTC, date, datetime, timedelta, timezone
from decimal import Decimal
from typing import Any

from hypothesis import strategies as st

from service.programme.catalogue import (
    DEVICE_KINDS,
    GOAL_MEASURES,
    POSITIONS,
    TECHNIQUES,
    Technique,
)
from service.programme.checks import check_programme
from service.programme.log import HealthState, Pause, Session
from service.programme.plan import Programme

Json = dict[str, Any]

_visible = st.characters(exclude_categories=("Cs", "Cc", "Cn", "Co", "Z"))
_words = st.lists(st.text(_visible, min_size=1, max_size=6), min_size=1, max_size=3)
texts = _words.map(" ".join)
codes = _words.map(" ".join)
ids = st.text("abcXYZ019-.", min_size=1, max_size=20)
languages = st.sampled_from(["en", "fr", "de-CH", "pt-BR", "sr-Latn-RS", "zh-Hant"])
urls = st.sampled_from(["https://clinic.example/number", "urn:oid:2.16.840.1.113883.2.4.6.3"])
identifiers = st.fixed_dictionaries({"system": urls, "value": texts})


@st.composite
def decimals(draw: st.DrawFn, low: int, high: int) -> Decimal:
    """A number from ``low`` to ``high`` with up to three decimals, which may be zeros."""
    places = draw(st.integers(0, 3))
    return Decimal(draw(st.integers(low * 10**places, high * 10**places))).scaleb(-places)


def parts(required: dict[str, Any] | None = None, /, **optional: Any) -> st.SearchStrategy[Json]:
    """An object with the required parts and any of the optional ones."""
    return st.fixed_dictionaries(required or {}, optional=optional)


_offsets = st.integers(-48, 56).map(lambda quarters: timezone(timedelta(minutes=15 * quarters)))
instants = st.builds(
    lambda moment, offset: moment.replace(tzinfo=UTC).astimezone(offset),
    st.datetimes(datetime(2005, 1, 1), datetime(2060, 1, 1)),  # noqa: DTZ001  (made aware above)
    _offsets,
)
days = st.dates(date(2005, 1, 1), date(2060, 1, 1))
clock_times = st.times().map(lambda clock: clock.replace(microsecond=0).isoformat())


@st.composite
def spells(draw: st.DrawFn) -> Json:
    """``start`` and, mostly, a later ``end``, both as days or both as instants."""
    start = draw(days | instants)
    spell = {"start": start.isoformat()}
    if draw(st.booleans()):
        spell["end"] = (start + timedelta(days=draw(st.integers(0, 700)))).isoformat()
    return spell


# -- schedules ----------------------------------------------------------------------------------

_SHORT_UNITS = ("s", "min", "h", "d", "wk")
_EVENTS_OF_DAY = ("MORN", "NOON", "AFT.late", "EVE", "NIGHT", "HS", "WAKE", "ACM", "PCV")


@st.composite
def schedules(draw: st.DrawFn) -> Json:
    """How often: by day, by week, at clock times, at events of the day, or at given instants."""
    schedule = draw(
        st.one_of(
            _so_many_a(("d",), 6),
            _so_many_a(("wk", "mo"), 20),
            parts({"timeOfDay": st.lists(clock_times, min_size=1, max_size=3, unique=True)}),
            parts(
                {"when": st.lists(st.sampled_from(_EVENTS_OF_DAY), min_size=1, unique=True)},
                offset=st.integers(0, 1440),
            ),
            parts({"event": st.lists(instants.map(datetime.isoformat), min_size=1, max_size=2)}),
        )
    )
    return schedule | draw(_bounded()) | draw(_lasting()) | draw(_counted()) | draw(_on_days())


@st.composite
def _so_many_a(draw: st.DrawFn, units: tuple[str, ...], most: int) -> Json:
    often = draw(st.integers(1, most))
    period = draw(decimals(1, 4))
    schedule = {"frequency": often, "period": period, "periodUnit": draw(st.sampled_from(units))}
    schedule |= draw(parts(frequencyMax=st.integers(often, often + 3)))
    return schedule | draw(parts(periodMax=st.just(period + 1)))


def _bounded() -> st.SearchStrategy[Json]:
    short = {"value": decimals(0, 52), "unit": st.sampled_from(_SHORT_UNITS)}
    long = {"value": st.integers(1, 24), "unit": st.sampled_from(["mo", "a"])}
    lengths = st.fixed_dictionaries(short) | st.fixed_dictionaries(long)
    return st.one_of(
        st.just({}),
        st.fixed_dictionaries({"bounds": spells()}),
        st.fixed_dictionaries({"boundsDuration": lengths}),
    )


@st.composite
def _lasting(draw: st.DrawFn) -> Json:
    duration = draw(st.none() | decimals(1, 30))
    if duration is None:
        return {}
    longest = draw(parts(durationMax=st.just(duration + 5)))
    return {"duration": duration, "durationUnit": draw(st.sampled_from(_SHORT_UNITS))} | longest


@st.composite
def _counted(draw: st.DrawFn) -> Json:
    count = draw(st.none() | st.integers(1, 100))
    return {} if count is None else {"count": count} | draw(parts(countMax=st.just(count + 1)))


def _on_days() -> st.SearchStrategy[Json]:
    weekdays = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")
    return parts(dayOfWeek=st.lists(st.sampled_from(weekdays), min_size=1, unique=True))


# -- doses --------------------------------------------------------------------------------------


def bands(low: int, high: int) -> st.SearchStrategy[Json]:
    """A low and a high end, in order."""
    ends = st.tuples(decimals(low, high), decimals(low, high)).map(sorted)
    return ends.map(lambda pair: {"low": pair[0], "high": pair[1]})


def _stroke(low: int, high: int) -> st.SearchStrategy[Json]:
    return st.fixed_dictionaries({"pressure": decimals(low, high), "seconds": decimals(0, 60)})


_counts = st.integers(1, 200)
_phase = parts(
    {"name": texts},
    breaths=_counts,
    seconds=decimals(0, 1800),
    hold=decimals(0, 60),
    huffs=st.integers(0, 50),
)
_DOSE_PARTS: dict[str, st.SearchStrategy[Any]] = {
    "cycles": _counts,
    "breaths": _counts,
    "hold": decimals(0, 60),
    "outBreath": decimals(0, 60),
    "inOutRatio": st.fixed_dictionaries({"breathIn": decimals(1, 4), "breathOut": decimals(1, 9)}),
    "rest": decimals(0, 1800),
    "huffs": st.integers(0, 50),
    "coughs": st.integers(0, 50),
    "minutes": decimals(1, 480),
    "pressure": bands(1, 150),
    "insufflation": _stroke(1, 150),
    "exsufflation": _stroke(-150, -1),
    "pause": decimals(0, 60),
    "breathsPerSet": _counts,
    "sets": _counts,
    "frequency": bands(1, 60),
    "garmentPressure": decimals(0, 500),
    "blocks": _counts,
    "blockMinutes": decimals(1, 480),
    "phase": st.lists(_phase, min_size=1, max_size=3),
    "drainage": st.lists(
        st.fixed_dictionaries(
            {"position": st.sampled_from(sorted(POSITIONS)), "minutes": decimals(1, 480)}
        ),
        min_size=1,
        max_size=3,
    ),
    "exercise": parts({"kind": texts}, intensity=texts),
    "interface": parts({"kind": st.sampled_from(["mouthpiece", "mask", "garment"])}, size=texts),
    "setting": parts(
        {"value": decimals(1, 9)}, chosenBy=st.sampled_from(["feel-and-sound", "manometer"])
    ),
}
_COMPARED_BY = {"cycles": "cycles", "sets": "sets", "minutes": "minutes"}


@st.composite
def doses(draw: st.DrawFn, technique: Technique) -> Json:
    """A dose with one of the technique's sets of required parts, and any others."""
    required = set(draw(st.sampled_from(technique.dose_parts)))
    wanted = required | draw(st.sets(st.sampled_from(sorted(_DOSE_PARTS)), max_size=6))
    dose = {name: draw(_DOSE_PARTS[name]) for name in _DOSE_PARTS if name in wanted}
    if "breaths" in dose and draw(st.booleans()):
        start = draw(st.integers(1, dose["breaths"]))
        steps = {"step": st.integers(1, 5), "everyDays": st.integers(1, 30)}
        dose["buildUp"] = {"start": start} | draw(parts(steps, rule=texts))
    possible = [basis for basis, part in _COMPARED_BY.items() if part in dose]
    return dose | draw(parts(basis=st.sampled_from([*possible, "none"])))


# -- the programme ------------------------------------------------------------------------------

names = parts({"text": texts}, family=texts, given=st.lists(texts, min_size=1, max_size=2))
professionals = st.one_of(
    st.fixed_dictionaries({"reference": ids.map("Practitioner/{}".format)}),
    parts({"name": names}, role=texts),
)
teams = st.one_of(
    st.fixed_dictionaries({"reference": ids.map("CareTeam/{}".format)}),
    parts({"name": texts}, phone=texts, member=st.lists(professionals, min_size=1, max_size=2)),
)
diagnoses = st.one_of(
    st.fixed_dictionaries({"reference": ids.map("Condition/{}".format)}),
    st.fixed_dictionaries({"condition": parts({"text": texts}, system=urls, code=codes)}),
)
children = st.one_of(
    st.fixed_dictionaries({"reference": ids.map("Patient/{}".format)}),
    parts(
        {"identifier": st.lists(identifiers, min_size=1, max_size=2)},
        name=names,
        birthDate=st.sampled_from(["1999", "1999-07", "1999-07-15"]),
        sex=st.sampled_from(["female", "male", "other", "unknown"]),
        language=st.lists(languages, min_size=1, max_size=2, unique=True),
    ),
)
_goal = parts(
    {"description": texts, "own": st.booleans()},
    start=days.map(date.isoformat),
    target=parts(
        {
            "measure": st.sampled_from(sorted(GOAL_MEASURES)),
            "detail": decimals(-5, 100),
            "unit": st.sampled_from(["min", "/min", "/wk", "km", "steps a day"]),
        },
        due=days.map(date.isoformat),
    ),
)
_care = parts(
    {"task": st.sampled_from(["clean", "disinfect", "replace", "check"]), "method": texts},
    schedule=schedules(),
)
_device = parts(
    {"kind": st.sampled_from(sorted(DEVICE_KINDS))},
    scale=st.just({"low": Decimal(0), "high": Decimal("10.0")}),
    interface=_DOSE_PARTS["interface"],
    care=st.lists(_care, min_size=1, max_size=2),
)


@st.composite
def regimens(draw: st.DrawFn, technique: str, devices: list[str]) -> Json:
    """One technique with its dose and schedule; without its key."""
    regimen = {"technique": technique, "dose": draw(doses(TECHNIQUES[technique]))}
    regimen["healthState"] = draw(st.sampled_from(["well", "unwell", "any"]))
    if regimen["healthState"] == "unwell":
        regimen["unwellRule"] = draw(st.sampled_from(["replaces", "adds"]))
    advice = st.fixed_dictionaries(
        {
            "position": st.sampled_from(sorted(POSITIONS)),
            "use": st.sampled_from(["advised", "allowed", "avoid"]),
        }
    )
    medicine = parts(
        {"medicine": texts, "order": st.sampled_from(["before", "during", "after"])},
        minutes=decimals(0, 60),
    )
    places = st.sampled_from(["home", "school", "elsewhere"])
    optional = {
        "schedule": schedules(),
        "asNeeded": st.booleans(),
        "position": st.lists(advice, max_size=3, unique_by=lambda item: item["position"]),
        "medicine": st.lists(medicine, max_size=2),
        "place": st.lists(places, max_size=3, unique=True),
        "oneOf": codes,
        "instruction": texts,
    }
    if devices:
        optional["device"] = st.sampled_from(devices)
    return regimen | draw(parts(**optional))


@st.composite
def programmes(draw: st.DrawFn) -> Programme:
    """A whole programme with an id, that the checks accept."""
    keys = draw(st.lists(codes, min_size=5, max_size=5, unique=True))
    devices = [{"key": key} | draw(_device) for key in keys[: draw(st.integers(0, 2))]]
    techniques = draw(
        st.lists(st.sampled_from(sorted(TECHNIQUES)), min_size=1, max_size=3, unique=True)
    )
    known = [device["key"] for device in devices]
    document = {
        "id": draw(ids),
        "status": draw(st.sampled_from(["draft", "active", "on-hold", "completed", "revoked"])),
        "child": draw(children),
        "author": draw(professionals),
        "team": draw(teams),
        "timeZone": [{"zone": "Europe/Madrid"}, *draw(_moves())],
        "regimen": [
            {"key": key} | draw(regimens(technique, known))
            for key, technique in zip(keys, techniques, strict=False)
        ],
        "device": devices,
        "goal": [{"key": key} | draw(_goal) for key in keys[: draw(st.integers(0, 2))]],
        **draw(spells()),
        **draw(_the_rest),
    }
    document["override"] = [
        {
            "caution": problem.key,
            "regimen": document["regimen"][int(problem.path.split("[")[1].split("]")[0])]["key"],
            "author": draw(texts),
            "reason": draw(texts),
        }
        for problem in check_programme(document).problems
        if problem.kind == "caution"
    ]
    checked = check_programme(document)
    assert checked.value is not None, checked.problems
    return checked.value


def _moves() -> st.SearchStrategy[list[Json]]:
    zones = st.sampled_from(["Atlantic/Azores", "America/St_Johns", "Australia/Lord_Howe"])
    move = st.fixed_dictionaries({"zone": zones, "since": instants.map(datetime.isoformat)})
    return st.lists(move, max_size=1)


_the_rest = parts(
    language=languages,
    title=texts,
    diagnosis=st.lists(diagnoses, max_size=2),
    dayBoundary=clock_times,
    hold=st.lists(st.builds(dict.__or__, spells(), parts(reason=texts)), max_size=2),
    safetyNet=st.lists(
        st.fixed_dictionaries({"sign": texts, "action": texts, "contact": texts}), max_size=2
    ),
    review=parts({"due": days.map(date.isoformat)}, kind=texts),
    changeReason=texts,
    note=st.lists(texts, max_size=3),
)


# -- what comes from home -----------------------------------------------------------------------

_sputum = parts(
    volume=decimals(0, 2000),
    amount=st.sampled_from(["none-seen", "teaspoon", "tablespoon", "egg-cup", "more"]),
    colour=st.sampled_from(["clear", "green", "rust", "black"]),
    consistency=st.sampled_from(["thin", "thick"]),
)
_blood = parts(
    {"seen": st.sampled_from(["none", "streaks", "more-than-streaks"])},
    volume=decimals(0, 5000),
    scheme=texts,
)


@st.composite
def sessions(draw: st.DrawFn) -> Session:
    """A session with any of its parts."""
    start = draw(instants)
    counts = st.integers(0, 1000)
    document = draw(
        parts(
            {
                "source": texts,
                "child": identifiers,
                "technique": st.sampled_from(sorted(TECHNIQUES)),
                "start": st.just(start.isoformat()),
                "recordedBy": st.sampled_from(["diary", "device"]),
                "outcome": st.sampled_from(["complete", "partial", "not-done"]),
            },
            id=identifiers,
            regimen=codes,
            end=decimals(0, 300).map(
                lambda minutes: (start + timedelta(minutes=float(minutes))).isoformat()
            ),
            recorded=instants.map(datetime.isoformat),
            performer=st.sampled_from(["child", "parent"]),
            helper=texts,
            deviceKind=st.sampled_from(sorted(DEVICE_KINDS)),
            reason=texts,
            minutes=decimals(0, 1440),
            cycles=counts,
            breaths=counts,
            huffs=counts,
            sets=counts,
            setting=decimals(-1000, 1000),
            pressure=decimals(0, 150),
            frequency=decimals(0, 60),
            position=st.sampled_from(sorted(POSITIONS)),
            sputum=_sputum,
            blood=_blood,
            spo2=decimals(0, 100),
            breathlessness=st.integers(0, 10),
            chestPain=st.booleans(),
            faint=st.booleans(),
            stoppedEarly=texts,
            clock=st.sampled_from(["corrected", "suspect"]),
            deviceStart=instants.map(datetime.isoformat),
        )
    )
    return Session.model_validate(document)


def health_states() -> st.SearchStrategy[HealthState]:
    """A spell of being well or unwell."""
    state = {"source": texts, "child": identifiers, "state": st.sampled_from(["well", "unwell"])}
    return _entries(parts(state, id=identifiers)).map(HealthState.model_validate)


def pauses() -> st.SearchStrategy[Pause]:
    """A time when nothing is due."""
    reasons = st.sampled_from(["admission", "agreed-holiday", "other"])
    pause = {"source": texts, "child": identifiers, "reason": reasons, "decidedBy": texts}
    return _entries(parts(pause, id=identifiers)).map(Pause.model_validate)


def _entries(described: st.SearchStrategy[Json]) -> st.SearchStrategy[Json]:
    return st.builds(dict.__or__, described, spells())
