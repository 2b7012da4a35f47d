"""Three more invented children, each worked by hand (the first is ``worked_example``).

Every table has a line a day: what was due, what was done of it, what a pause excused, and how many
rows came from home; rows of a doubtful clock belong to no day and stand apart. The documents can
be put into any part of the service; the tables say what must come out.

``Sent`` is what came on which day; ``Question`` what is asked, as known when, and the answer.
"""

from dataclasses import dataclass, field
from typing import Any

Json = dict[str, Any]


@dataclass(frozen=True)
class Sent:
    """Programmes (``PUT`` or ``POST``) or log rows that came at one time, in UTC.

    ``device_clock`` is what the sender's clock showed then. ``wrong``: numbers of rows that are
    marked as entered in error.
    """

    at: str
    programmes: tuple[Json, ...] = ()
    rows: tuple[Json, ...] = ()
    stays: tuple[Json, ...] = ()
    wrong: tuple[str, ...] = ()
    device_clock: str | None = None


@dataclass(frozen=True)
class Question:
    """``figures``: (numerator, denominator, taken out by a pause); no numerator: no score."""

    known_at: str
    table: str
    figures: dict[str, tuple[float, int, int]]
    endings: dict[str, int]
    rows: tuple[int, int, int]
    """Placed, unplaced, excluded."""
    days: tuple[int, int]
    """With anything due: with a log, without."""
    techniques: dict[str, tuple[float, int]] = field(default_factory=dict)

    def lines(self) -> dict[str, tuple[int, int, int, int]]:
        """Day -> due, done, paused, rows."""
        found: dict[str, tuple[int, int, int, int]] = {}
        for line in self.table.strip().splitlines()[1:]:
            _, day, month, due, done, paused, rows, *_ = line.split()
            found[f"{day} {month}"] = (int(due), int(done), int(paused), int(rows))
        return found


@dataclass(frozen=True)
class HandWorked:
    """A child, all that came in, and what is asked."""

    name: str
    child: Json
    first: str
    last: str
    sent: tuple[Sent, ...]
    questions: tuple[Question, ...]


def _child(number: str) -> Json:
    return {"system": "https://clinic.example/child", "value": number}


def _programme(number: str, regimens: list[Json], start: str, **more: Any) -> Json:
    return {
        "id": f"home-{number.lower()}",
        "status": "active",
        "language": "en",
        "child": {
            "identifier": [_child(number)],
            "name": {"text": "Kim Invented"},
            "birthDate": "2022-02-11",
        },
        "author": {"name": {"text": "Robin Placeholder"}, "role": "physiotherapist"},
        "team": {"name": "Airway team"},
        "diagnosis": [{"condition": {"text": "primary ciliary dyskinesia"}}],
        "start": start,
        "timeZone": [{"zone": "Europe/Paris"}],
        "regimen": regimens,
        **more,
    }


def _row(number: str, key: str, start: str, end: str = "", **more: Any) -> Json:
    """A diary row; ``end`` is a clock time of the same day."""
    told = {"end": f"{start[:11]}{end}{start[-6:]}"} if end else {}
    return {
        "id": {"system": f"https://diary.example/{number.lower()}", "value": key},
        "source": "phone diary",
        "child": _child(number),
        "technique": "opep",
        "start": start,
        **told,
        "recordedBy": "diary",
        "outcome": "complete",
        **more,
    }


# -- an admission, and a move to another zone ------------------------------------------------------

_PEP: Json = {
    "key": "mask",
    "technique": "pep",
    "healthState": "any",
    "schedule": {"timeOfDay": ["08:00", "19:00"]},
    "dose": {"cycles": 6, "breaths": 10, "pressure": {"low": 10, "high": 20}},
}


def _pep(key: str, start: str, **more: Any) -> Json:
    return _row("C-31", key, start, technique="pep", **more)


MOVED = HandWorked(
    name="an admission, and a move from Paris to Tokyo",
    child=_child("C-31"),
    first="2031-06-09",
    last="2031-06-20",
    sent=(
        Sent(
            at="2031-06-01T09:00:00Z",
            programmes=(
                _programme(
                    "C-31",
                    [_PEP],
                    "2031-06-09",
                    timeZone=[
                        {"zone": "Europe/Paris"},
                        {"zone": "Asia/Tokyo", "since": "2031-06-12T11:00:00+02:00"},
                    ],
                ),
            ),
        ),
        Sent(
            at="2031-06-21T09:00:00Z",
            rows=(
                _pep("m-01", "2031-06-09T08:10:00+02:00"),
                _pep("m-02", "2031-06-09T19:05:00+02:00"),
                _pep("m-03", "2031-06-10T08:00:00+02:00"),
                _pep("m-04", "2031-06-12T08:15:00+02:00"),
                _pep("m-05", "2031-06-12T19:30:00+09:00"),
                _pep("m-06", "2031-06-12T17:30:00+02:00"),
                _pep("m-07", "2031-06-13T19:00:00+09:00"),
                _pep("m-08", "2031-06-14T20:00:00+09:00"),
                _pep("m-09", "2031-06-15T08:30:00+09:00"),
                _pep("m-10", "2031-06-15T16:00:00+09:00"),
                _pep("m-11", "2031-06-17T19:10:00+09:00"),
                _pep("m-12", "2031-06-19T08:00:00+09:00", outcome="partial"),
                _pep("m-13", "2031-06-20T08:00:00+09:00", outcome="not-done", reason="asleep"),
            ),
            stays=({"start": "2031-06-15T15:00:00+09:00", "end": "2031-06-17T09:00:00+09:00"},),
        ),
    ),
    questions=(
        Question(
            known_at="2031-06-21T09:00:00Z",
            table="""
day         due  done  paused  rows  remark
Mon 09 Jun  2    2     0       2
Tue 10 Jun  2    1     0       1
Wed 11 Jun  2    0     0       0     nothing logged
Thu 12 Jun  2    2     0       2     a day of 17 hours: morning in Paris, evening in Tokyo
Fri 13 Jun  2    2     0       2     one is 17:30 of the 12th by the old clock: 00:30 in Tokyo
Sat 14 Jun  2    1     0       1
Sun 15 Jun  1    1     1       2     to hospital at 15:00; one there at 16:00 is extra
Mon 16 Jun  0    0     2       0     in hospital
Tue 17 Jun  1    1     1       1     home at 09:00
Wed 18 Jun  2    0     0       0     nothing logged
Thu 19 Jun  2    1     0       1     partial counts
Fri 20 Jun  2    0     0       1     row says not done
""",
            figures={
                "sessions": (11, 20, 4),
                "days": (5, 11, 1),  # 9, 12, 13, 15 and 17 June
                "any": (8, 11, 1),  # those, and 10, 14 and 19 June
                "logged": (11, 16, 2),  # without 11 and 18 June
                "dose": (0, 0, 0),  # nobody said by what it is compared
            },
            endings={"matched": 11, "extra": 1, "not-done": 1},
            rows=(13, 0, 0),
            days=(9, 2),
        ),
    ),
)


# -- a range, alternatives, extras, and rows told by diary and device ------------------------------

_TWO_TO_THREE: Json = {"frequency": 2, "frequencyMax": 3, "period": 1, "periodUnit": "d"}


def _any(key: str, start: str, end: str = "", **more: Any) -> Json:
    return _row("C-32", key, start, end, **more)


def _sport(key: str, start: str, minutes: int) -> Json:
    return _any(key, start, technique="exercise", minutes=minutes)


_DEVICE: Json = {"recordedBy": "device", "source": "device export"}

RANGE = HandWorked(
    name="two to three a day by either of two techniques, exercise three times a week",
    child=_child("C-32"),
    first="2031-06-09",
    last="2031-06-15",
    sent=(
        Sent(
            at="2031-06-01T09:00:00Z",
            programmes=(
                _programme(
                    "C-32",
                    [
                        {
                            "key": "hand-held",
                            "technique": "opep",
                            "healthState": "any",
                            "oneOf": "breathing",
                            "schedule": _TWO_TO_THREE,
                            "dose": {"cycles": 6, "breaths": 10, "huffs": 1, "coughs": 1},
                        },
                        {**_PEP, "oneOf": "breathing", "schedule": _TWO_TO_THREE},
                        {
                            "key": "sport",
                            "technique": "exercise",
                            "healthState": "any",
                            "schedule": {"frequency": 3, "period": 1, "periodUnit": "wk"},
                            "dose": {
                                "basis": "minutes",
                                "minutes": 20,
                                "exercise": {"kind": "running games"},
                            },
                        },
                    ],
                    "2031-06-09",
                ),
            ),
        ),
        Sent(
            at="2031-06-16T09:00:00Z",
            rows=(
                _any("r-01", "2031-06-09T08:00:00+02:00", "08:20:00"),
                _any("r-02", "2031-06-09T08:02:00+02:00", "08:15:00", **_DEVICE),
                _any("r-03", "2031-06-09T18:00:00+02:00", technique="pep", regimen="mask"),
                _any("r-04", "2031-06-10T08:00:00+02:00"),
                _any("r-05", "2031-06-10T12:00:00+02:00"),
                _any("r-06", "2031-06-10T18:00:00+02:00", technique="pep"),
                _sport("r-07", "2031-06-10T17:00:00+02:00", 20),
                _any("r-08", "2031-06-11T07:00:00+02:00"),
                _any("r-09", "2031-06-11T11:00:00+02:00"),
                _any("r-10", "2031-06-11T15:00:00+02:00"),
                _any("r-11", "2031-06-11T19:00:00+02:00"),
                _any("r-12", "2031-06-12T09:00:00+02:00", technique="pep"),
                _sport("r-13", "2031-06-12T16:00:00+02:00", 10),
                _any("r-14", "2031-06-14T10:00:00+02:00"),
                _any("r-15", "2031-06-14T18:00:00+02:00", technique="autogenic-drainage"),
                _sport("r-16", "2031-06-14T15:00:00+02:00", 30),
                _any("r-17", "2031-06-15T09:00:00+02:00"),
                _any("r-18", "2031-06-15T20:00:00+02:00"),
                _sport("r-19", "2031-06-15T11:00:00+02:00", 20),
            ),
        ),
    ),
    questions=(
        Question(
            known_at="2031-06-16T09:00:00Z",
            table="""
day         due  done  paused  rows  remark
Mon 09 Jun  2    2     0       3     one told twice: the device counts; the mask in the evening
Tue 10 Jun  3    3     0       4     three are within 2 to 3: the third is extra; exercise 1 of 3
Wed 11 Jun  2    2     0       4     four: the third is extra, the fourth over
Thu 12 Jun  3    2     0       2     exercise 2 of 3, 10 of 20 minutes
Fri 13 Jun  2    0     0       0     nothing logged
Sat 14 Jun  3    2     0       3     exercise 3 of 3, 30 minutes count as 20; drainage not asked for
Sun 15 Jun  2    2     0       3     exercise a fourth time: extra
""",
            figures={
                "sessions": (13, 17, 0),  # 10 of 14 by either technique, exercise 3 of 3
                "days": (4, 7, 0),  # 9, 10, 11 and 15 June; exercise has a week, not a day
                "any": (6, 7, 0),
                "logged": (13, 15, 0),  # without 13 June
                "dose": (2.5, 3, 0),  # exercise: 20, 10 and (of 30) 20 of 20 minutes
            },
            endings={"matched": 13, "extra": 4, "over": 1, "duplicate": 1},
            rows=(19, 0, 0),
            days=(6, 1),
            techniques={"opep": (10, 14), "exercise": (3, 3)},
        ),
    ),
)


# -- a wrong clock, rows sent twice, corrections, and what was known when --------------------------


def _clocked(key: str, start: str, end: str = "", **more: Any) -> Json:
    return _row("C-33", key, start, end, **more)


_MISTAKEN = _clocked("w-01", "2031-06-09T18:00:00+02:00")
_SENT_AGAIN = _clocked("w-02", "2031-06-11T09:05:00+02:00", "09:20:00")

CORRECTED = HandWorked(
    name="a clock two days slow, rows sent again, a correction and a mistake",
    child=_child("C-33"),
    first="2031-06-09",
    last="2031-06-15",
    sent=(
        Sent(
            at="2031-06-01T09:00:00Z",
            programmes=(
                _programme(
                    "C-33",
                    [
                        {
                            "key": "hand-held",
                            "technique": "opep",
                            "healthState": "any",
                            "schedule": {"frequency": 1, "period": 1, "periodUnit": "d"},
                            "dose": {"cycles": 6, "breaths": 10, "huffs": 1, "coughs": 1},
                        }
                    ],
                    "2031-06-09",
                ),
            ),
        ),
        Sent(
            at="2031-06-12T08:00:00Z",
            device_clock="2031-06-10T08:00:00Z",
            rows=(
                # By its own clock on the 8th and 9th at 07:00; really on the 10th and 11th.
                _clocked("w-11", "2031-06-08T07:00:00+00:00", "07:15:00", **_DEVICE),
                _clocked("w-12", "2031-06-09T07:00:00+00:00", "07:15:00", **_DEVICE),
            ),
        ),
        Sent(
            at="2031-06-12T08:01:00Z",
            rows=(
                _MISTAKEN,
                _SENT_AGAIN,
                _SENT_AGAIN,
                _clocked("w-13", "1970-01-01T00:12:00+00:00", **_DEVICE),
                _clocked("w-14", "2031-06-20T07:00:00+00:00", **_DEVICE),
            ),
        ),
        Sent(
            at="2031-06-14T08:00:00Z",
            rows=(
                _SENT_AGAIN,
                _MISTAKEN | {"outcome": "not-done", "reason": "it was the sister's"},
                _clocked("w-03", "2031-06-12T19:00:00+02:00"),
                _clocked("w-04", "2031-06-13T18:00:00+02:00"),
            ),
        ),
        Sent(at="2031-06-16T08:00:00Z", wrong=("w-04",)),
    ),
    questions=(
        Question(
            known_at="2031-06-13T12:00:00Z",
            table="""
day         due  done  paused  rows  remark
Mon 09 Jun  1    1     0       1
Tue 10 Jun  1    1     0       1     the device's clock said the 8th
Wed 11 Jun  1    1     0       2     the device's clock said the 9th; the diary tells it again
Thu 12 Jun  1    0     0       0
Fri 13 Jun  1    0     0       0
Sat 14 Jun  1    0     0       0
Sun 15 Jun  1    0     0       0
""",
            figures={
                "sessions": (3, 7, 0),
                "days": (3, 7, 0),
                "any": (3, 7, 0),
                "logged": (3, 3, 0),
                "dose": (0, 0, 0),
            },
            endings={"matched": 3, "duplicate": 1, "doubtful": 2},
            rows=(4, 2, 0),
            days=(3, 4),
        ),
        Question(
            known_at="2031-06-15T12:00:00Z",
            table="""
day         due  done  paused  rows  remark
Mon 09 Jun  1    0     0       1     corrected: not done
Tue 10 Jun  1    1     0       1
Wed 11 Jun  1    1     0       2
Thu 12 Jun  1    1     0       1
Fri 13 Jun  1    1     0       1
Sat 14 Jun  1    0     0       0
Sun 15 Jun  1    0     0       0
""",
            figures={
                "sessions": (4, 7, 0),
                "days": (4, 7, 0),
                "any": (4, 7, 0),
                "logged": (4, 5, 0),
                "dose": (0, 0, 0),
            },
            endings={"matched": 4, "duplicate": 1, "not-done": 1, "doubtful": 2},
            rows=(6, 2, 0),
            days=(5, 2),
        ),
        Question(
            known_at="2031-06-17T12:00:00Z",
            table="""
day         due  done  paused  rows  remark
Mon 09 Jun  1    0     0       1
Tue 10 Jun  1    1     0       1
Wed 11 Jun  1    1     0       2
Thu 12 Jun  1    1     0       1
Fri 13 Jun  1    0     0       1     entered in error: the row is shown and does not count
Sat 14 Jun  1    0     0       0
Sun 15 Jun  1    0     0       0
""",
            figures={
                "sessions": (3, 7, 0),
                "days": (3, 7, 0),
                "any": (3, 7, 0),
                "logged": (3, 4, 0),  # a row that must not count tells nothing of its day
                "dose": (0, 0, 0),
            },
            endings={"matched": 3, "duplicate": 1, "not-done": 1, "doubtful": 2, "excluded": 1},
            rows=(5, 2, 1),
            days=(4, 3),
        ),
    ),
)

CHILDREN = (MOVED, RANGE, CORRECTED)
