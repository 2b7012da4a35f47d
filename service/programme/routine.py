"""The events of a day by which a schedule may speak: on waking, before meals, at bedtime.

The clock times stand in for a family's own day and are ours; they only place an occurrence
within its day, never decide whether it was done.
"""

from collections.abc import Mapping
from datetime import time
from types import MappingProxyType

from service.programme.schedule import DayEvent, Routine

_MEALS = {"M": time(7, 30), "D": time(12, 30), "V": time(18, 0)}
"""Breakfast, lunch and supper by the letter that R4 has for them."""
_BEDTIME = time(20, 30)


def _of_meals(meals: Mapping[str, time]) -> dict[str, tuple[time, ...]]:
    """At, before and after each meal, and any of them."""
    found: dict[str, tuple[time, ...]] = {}
    for how in ("C", "AC", "PC"):
        found[how] = tuple(meals.values())
        found |= {f"{how}{letter}": (clock,) for letter, clock in meals.items()}
    return found


DAILY_ROUTINE: Mapping[str, tuple[time, ...]] = MappingProxyType(
    {
        "WAKE": (time(7, 0),),
        "MORN": (time(8, 0),),
        "MORN.early": (time(6, 30),),
        "MORN.late": (time(10, 30),),
        "NOON": (time(12, 0),),
        "AFT": (time(15, 0),),
        "AFT.early": (time(13, 30),),
        "AFT.late": (time(16, 30),),
        "EVE": (time(19, 0),),
        "EVE.early": (time(17, 30),),
        "EVE.late": (time(20, 30),),
        "NIGHT": (time(22, 0),),
        "HS": (_BEDTIME,),
        "PHS": (_BEDTIME,),
        **_of_meals(_MEALS),
    }
)
"""Event -> clock times; a code that means any meal means three."""


def routine_of(own: Routine | None) -> Mapping[str, tuple[time, ...]]:
    """Event -> clock times as the family has them, the usual ones where it does not say."""
    if own is None:
        return DAILY_ROUTINE
    stated = {"M": own.breakfast, "D": own.lunch, "V": own.supper}
    meals = {letter: stated[letter] or usual for letter, usual in _MEALS.items()}
    sleep = {"WAKE": own.wake, "HS": own.bedtime, "PHS": own.bedtime}
    told = {event: (clock,) for event, clock in sleep.items() if clock is not None}
    return {**DAILY_ROUTINE, **_of_meals(meals), **told}


_BEFORE = frozenset({"AC", "ACM", "ACD", "ACV", "HS"})


def minutes_from(event: DayEvent, offset: int) -> int:
    """Minutes from the event, negative before it; an event that does not say so means after."""
    return -offset if event in _BEFORE else offset
