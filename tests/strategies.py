"""Documents of the trade for property tests: whole, valid, and as varied as the models allow.

``programmes()``, ``sessions()``, ``health_states()``, ``pauses()`` and ``reviews()`` give models
that ``service.programme.checks`` accepts; cautions that a programme raises are overridden in it.
"""

from datetime import date, datetime, timedelta
from decimal import Decimal

from dose_strategies import DOSE_PARTS, doses, schedules
from hypothesis import strategies as st
from value_strategies import (
    Json,
    clock_times,
    codes,
    days,
    decimals,
    identifiers,
    ids,
    instants,
    languages,
    parts,
    spells,
    texts,
    urls,
)

from service.programme.catalogue import DEVICE_KINDS, GOAL_MEASURES, POSITIONS, TECHNIQUES
from service.programme.checks import check_programme
from service.programme.log import HealthState, Pause, Session
from service.programme.plan import Programme
from service.programme.precautions import PRECAUTIONS
from service.programme.review import REVIEW_STEPS, TechniqueReview

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
_ASKED = [code for code, one in PRECAUTIONS.items() if one.question]
screens = st.one_of(
    st.fixed_dictionaries({"reference": ids.map("QuestionnaireResponse/{}".format)}),
    st.fixed_dictionaries(
        {
            "date": st.one_of(days, instants).map(lambda moment: moment.isoformat()),
            "by": professionals,
            "answer": st.dictionaries(
                st.sampled_from(_ASKED), st.sampled_from(["yes", "no", "unknown"]), min_size=1
            ),
        }
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
    interface=DOSE_PARTS["interface"],
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
    unwellDays=st.integers(1, 60),
    routine=parts(
        **dict.fromkeys(("wake", "breakfast", "lunch", "supper", "bedtime"), clock_times)
    ),
    hold=st.lists(st.builds(dict.__or__, spells(), parts(reason=texts)), max_size=2),
    safetyNet=st.lists(
        st.fixed_dictionaries({"sign": texts, "action": texts, "contact": texts}), max_size=2
    ),
    screen=screens,
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


def reviews() -> st.SearchStrategy[TechniqueReview]:
    """What a clinician saw when a child showed a technique."""
    reviewer = st.one_of(
        st.fixed_dictionaries({"reference": ids.map("Practitioner/{}".format)}),
        parts({"name": texts}, identifier=identifiers),
        st.fixed_dictionaries({"identifier": identifiers}),
    )
    step = st.fixed_dictionaries(
        {
            "step": st.sampled_from(sorted(REVIEW_STEPS)),
            "shown": st.sampled_from(["seen", "prompted", "not-yet"]),
        }
    )
    return parts(
        {
            "child": identifiers,
            "technique": st.sampled_from(sorted(TECHNIQUES)),
            "date": st.one_of(days, instants).map(lambda moment: moment.isoformat()),
            "method": st.sampled_from(["in-clinic", "remote", "home-visit"]),
            "reviewer": reviewer,
            "step": st.lists(step, min_size=1, unique_by=lambda one: one["step"]),
        },
        id=identifiers,
        source=texts,
        deviceKind=st.sampled_from(sorted(DEVICE_KINDS)),
        helper=texts,
    ).map(TechniqueReview.model_validate)


def _entries(described: st.SearchStrategy[Json]) -> st.SearchStrategy[Json]:
    return st.builds(dict.__or__, described, spells())
