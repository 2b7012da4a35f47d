"""Schedules and doses for property tests, as varied as the checks of the trade allow."""

from datetime import datetime
from typing import Any

from hypothesis import strategies as st
from value_strategies import (
    Json,
    clock_times,
    decimals,
    instants,
    parts,
    spells,
    texts,
)

from service.programme.catalogue import POSITIONS, Technique

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
        lengths.map(lambda low: {"boundsRange": {"low": low}}),
        lengths.map(lambda high: {"boundsRange": {"high": high}}),
        lengths.map(lambda length: {"boundsRange": {"low": length, "high": length}}),
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
DOSE_PARTS: dict[str, st.SearchStrategy[Any]] = {
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
    wanted = required | draw(st.sets(st.sampled_from(sorted(DOSE_PARTS)), max_size=6))
    dose = {name: draw(DOSE_PARTS[name]) for name in DOSE_PARTS if name in wanted}
    if "breaths" in dose and draw(st.booleans()):
        start = draw(st.integers(1, dose["breaths"]))
        steps = {"step": st.integers(1, 5), "everyDays": st.integers(1, 30)}
        dose["buildUp"] = {"start": start} | draw(parts(steps, rule=texts))
    possible = [basis for basis, part in _COMPARED_BY.items() if part in dose]
    return dose | draw(parts(basis=st.sampled_from([*possible, "none"])))
