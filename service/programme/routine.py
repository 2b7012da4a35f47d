"""The events of a day by which a schedule may speak: on waking, before meals, at bedtime.

The clock times stand in for a family's own day and are ours; they only place an occurrence
within its day, never decide whether it was done.
"""

from collections.abc import Mapping
from datetime import time
from types import MappingProxyType

from service.programme.schedule import DayEvent

_BREAKFAST, _LUNCH, _SUPPER = time(7, 30), time(12, 30), time(18, 0)
_BEDTIME = time(20, 30)

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
        **{f"{how}": (_BREAKFAST, _LUNCH, _SUPPER) for how in ("C", "AC", "PC")},
        **{f"{how}M": (_BREAKFAST,) for how in ("C", "AC", "PC")},
        **{f"{how}D": (_LUNCH,) for how in ("C", "AC", "PC")},
        **{f"{how}V": (_SUPPER,) for how in ("C", "AC", "PC")},
    }
)
"""Event -> clock times; a code that means any meal means three."""

_BEFORE = frozenset({"AC", "ACM", "ACD", "ACV", "HS"})


def minutes_from(event: DayEvent, offset: int) -> int:
    """Minutes from the event, negative before it; an event that does not say so means after."""
    return -offset if event in _BEFORE else offset
