"""Two weeks of one invented child, worked by hand.

OPEP once a day (twice a day while unwell, in place of the well dose) and autogenic drainage twice
a week. A spell of being unwell, an agreed holiday, a change of plan in the second week, the night
on which the clocks go forward, a row that says "not done", a session that diary and device both
tell, an extra one, and one during the holiday.

The documents can be put into any part of the service; ``TABLE`` is what must come out. To check it
by eye: the week of drainage runs from Monday to Monday and its two occurrences stand at a quarter
and at three quarters of it, so on Tuesday evening and on Saturday morning.
"""

from typing import Any

Json = dict[str, Any]

FIRST, LAST = "2031-03-24", "2031-04-06"

TABLE = """
day         plan  state   OPEP due  done  AD due  done  paused  rows  remark
Mon 24 Mar  1     well    1         1     0       0     0       1
Tue 25 Mar  1     well    1         1     1       1     0       2     OPEP partial: 3 of 6 cycles
Wed 26 Mar  1     well    1         0     0       0     0       0     nothing logged
Thu 27 Mar  1     unwell  2         2     0       0     0       2     one by device, 3 of 4 cycles
Fri 28 Mar  1     unwell  2         1     0       0     0       2     one told twice: device counts
Sat 29 Mar  1     unwell  2         2     1       1     0       3     third OPEP is extra; AD: 30th
Sun 30 Mar  1     well    1         1     0       0     0       2     23 hours; AD 15 of 20 minutes
Mon 31 Mar  1     well    1         0     0       0     0       1     row says not done
Tue 01 Apr  1     well    0         0     0       0     2       1     holiday, OPEP all the same
Wed 02 Apr  1     well    0         0     0       0     1       0     holiday
Thu 03 Apr  1     well    1         1     0       0     0       1
Fri 04 Apr  2     well    2         1     0       0     0       1     new plan: OPEP twice a day
Sat 05 Apr  2     well    2         2     1       0     0       2     one by device
Sun 06 Apr  2     well    2         0     0       0     0       0     nothing logged
"""

FIGURES = {
    # figure: (numerator, denominator, taken out by the pause)
    "sessions": (14, 21, 3),  # OPEP 12 of 18, drainage 2 of 3
    "days": (7, 12, 2),  # full: 24, 25, 27, 29, 30 March, 3 and 5 April
    "any": (9, 12, 2),  # those, and 28 March and 4 April
    "logged": (14, 18, 2),  # without 26 March (1) and 6 April (2)
    "dose": (12.5, 21, 3),  # 14 sessions, less 1/2, 1/4 and 1/2 of OPEP and 1/4 of drainage
}

SPLITS = {
    # sessions by split: (numerator, denominator)
    "source": {"diary": (11, 21), "device": (3, 21)},
    "technique": {"opep": (12, 18), "autogenic-drainage": (2, 3)},
    "state": {"well": (8, 14), "unwell": (6, 7)},
}

ENDINGS = {"matched": 14, "extra": 2, "duplicate": 1, "not-done": 1}

CHILD: Json = {"system": "https://clinic.example/child", "value": "C-204"}

_OPEP_DOSE: Json = {"basis": "cycles", "breaths": 10, "huffs": 1, "coughs": 1}


def _daily(often: int) -> Json:
    return {"frequency": often, "period": 1, "periodUnit": "d"}


def _programme(start: str, often: int, cycles: int, **rest: Any) -> Json:
    return {
        "status": "active",
        "language": "en",
        "child": {
            "identifier": [CHILD],
            "name": {"text": "Nils Invented"},
            "birthDate": "2022-09-30",
        },
        "author": {"name": {"text": "Robin Placeholder"}, "role": "physiotherapist"},
        "team": {"name": "Airway team"},
        "diagnosis": [{"condition": {"text": "primary ciliary dyskinesia"}}],
        "start": start,
        "timeZone": [{"zone": "Europe/Paris"}],
        "regimen": [
            {
                "key": "opep-well",
                "technique": "opep",
                "healthState": "well",
                "schedule": _daily(often),
                "dose": {**_OPEP_DOSE, "cycles": cycles},
            },
            {
                "key": "opep-unwell",
                "technique": "opep",
                "healthState": "unwell",
                "unwellRule": "replaces",
                "schedule": _daily(2),
                "dose": {**_OPEP_DOSE, "cycles": 4},
            },
            {
                "key": "drainage",
                "technique": "autogenic-drainage",
                "healthState": "any",
                "schedule": {
                    "bounds": {"start": FIRST},
                    "frequency": 2,
                    "period": 1,
                    "periodUnit": "wk",
                },
                "dose": {"basis": "minutes", "minutes": 20},
            },
        ],
        **rest,
    }


PROGRAMMES: list[Json] = [
    _programme(FIRST, often=1, cycles=6),
    _programme("2031-04-04", often=2, cycles=5, changeReason="coping well, building up"),
]
"""The plan, and the change that follows it."""

STATE: Json = {
    "id": {"system": "https://diary.example/state", "value": "u-1"},
    "source": "phone diary",
    "child": CHILD,
    "state": "unwell",
    "start": "2031-03-27",
    "end": "2031-03-29",
}

PAUSE: Json = {
    "id": {"system": "https://clinic.example/pause", "value": "p-1"},
    "source": "clinic",
    "child": CHILD,
    "start": "2031-04-01",
    "end": "2031-04-02",
    "reason": "agreed-holiday",
    "decidedBy": "family and physiotherapist",
}


def _session(number: int, start: str, end: str, **rest: Any) -> Json:
    return {
        "id": {"system": "https://diary.example/session", "value": f"s-{number:02}"},
        "source": "phone diary",
        "child": CHILD,
        "technique": "opep",
        "start": start,
        "end": f"{start[:11]}{end}{start[-6:]}",
        "recordedBy": "diary",
        "outcome": "complete",
        **rest,
    }


_DRAINAGE: Json = {"technique": "autogenic-drainage", "regimen": "drainage"}
_DEVICE: Json = {"recordedBy": "device", "source": "device export"}

SESSIONS: list[Json] = [
    _session(1, "2031-03-24T07:30:00+01:00", "07:50:00", cycles=6, regimen="opep-well"),
    _session(2, "2031-03-25T07:35:00+01:00", "07:45:00", cycles=3, outcome="partial"),
    _session(3, "2031-03-25T17:00:00+01:00", "17:20:00", minutes=20, **_DRAINAGE),
    _session(4, "2031-03-27T08:00:00+01:00", "08:15:00", cycles=4, regimen="opep-unwell"),
    _session(5, "2031-03-27T18:00:00+01:00", "18:15:00", cycles=3, **_DEVICE),
    _session(6, "2031-03-28T18:00:00+01:00", "18:20:00", cycles=4),
    _session(7, "2031-03-28T18:03:00+01:00", "18:16:00", cycles=4, **_DEVICE),
    _session(8, "2031-03-29T08:00:00+01:00", "08:15:00", cycles=4),
    _session(9, "2031-03-29T13:00:00+01:00", "13:10:00", cycles=2, outcome="partial"),
    _session(10, "2031-03-29T18:00:00+01:00", "18:15:00", cycles=4),
    _session(11, "2031-03-30T03:15:00+02:00", "03:35:00", cycles=6),
    _session(12, "2031-03-30T10:00:00+02:00", "10:15:00", minutes=15, **_DRAINAGE),
    _session(
        13, "2031-03-31T07:30:00+02:00", "07:30:00", outcome="not-done", reason="too tired"
    ),
    _session(14, "2031-04-01T09:00:00+02:00", "09:20:00", cycles=6),
    _session(15, "2031-04-03T07:30:00+02:00", "07:50:00", cycles=6),
    _session(16, "2031-04-04T07:30:00+02:00", "07:45:00", cycles=5, regimen="opep-well"),
    _session(17, "2031-04-05T08:00:00+02:00", "08:15:00", cycles=5),
    _session(18, "2031-04-05T18:00:00+02:00", "18:15:00", cycles=5, **_DEVICE),
]  # fmt: skip


def expected_days() -> list[dict[str, str | int]]:
    """The table, row by row."""
    rows: list[dict[str, str | int]] = []
    for line in TABLE.strip().splitlines()[1:]:
        weekday, day, month, plan, state, *counts = line.split()[:11]
        numbers = [int(count) for count in counts]
        rows.append(
            {
                "day": f"{weekday} {day} {month}",
                "plan": int(plan),
                "state": state,
                **dict(zip(_COLUMNS, numbers, strict=True)),
            }
        )
    return rows


_COLUMNS = ("opep_due", "opep_done", "ad_due", "ad_done", "paused", "rows")
