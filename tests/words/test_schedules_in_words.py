"""Schedules in plain words: tables for readers of each language, and laws for all schedules.

The Timings are those that R4 gives as examples (datatypes-examples.html#Timing: every 8 hours,
every 4 to 6 hours, 30 minutes before a meal, ...) and the trade's usual ones.
"""

import re
from typing import Any

import pytest
from dose_strategies import schedules
from hypothesis import given
from hypothesis import strategies as st

from service.programme.plan import Regimen
from service.programme.schedule import Schedule
from service.words import END_ISOLATE, ISOLATE, offered, words_of

TABLE: list[tuple[dict[str, Any], str, str, str]] = [
    (
        {"frequency": 2, "period": 1, "periodUnit": "d", "when": ["MORN", "EVE"]},
        "every morning and evening",
        "chaque matin et soir",
        "كل صباح ومساء",
    ),
    (
        {"frequency": 3, "period": 1, "periodUnit": "wk", "dayOfWeek": ["mon", "wed", "fri"]},
        "3 times a week, on Monday, Wednesday and Friday",
        "3 fois par semaine, les lundi, mercredi et vendredi",
        "3 مرات كل أسبوع، أيام الاثنين والأربعاء والجمعة",
    ),
    (
        {"frequency": 1, "period": 4, "periodMax": 6, "periodUnit": "h"},
        "every 4 to 6 hours",
        "toutes les 4 à 6 heures",
        "كل 4 إلى 6 ساعات",
    ),
    (
        {"frequency": 1, "period": 8, "periodUnit": "h"},
        "every 8 hours",
        "toutes les 8 heures",
        "كل 8 ساعات",
    ),
    (
        {"when": ["ACM"], "offset": 30},
        "every day, 30 minutes before breakfast",
        "tous les jours, 30 minutes avant le petit déjeuner",
        "كل يوم، قبل الفطور بـ 30 دقيقة",
    ),
    (
        {"frequency": 1, "frequencyMax": 4, "period": 1, "periodUnit": "d",
         "duration": 15, "durationMax": 25, "durationUnit": "min",
         "boundsDuration": {"value": 6, "unit": "wk"}},
        "1 to 4 times a day, for 15 to 25 minutes each time, for 6 weeks",
        "1 à 4 fois par jour, pendant 15 à 25 minutes à chaque fois, pendant 6 semaines",
        "1 إلى 4 مرات كل يوم، لمدة 15 إلى 25 دقيقة في كل مرة، لمدة 6 أسابيع",
    ),
    (
        {"frequency": 2, "period": 1, "periodUnit": "d", "timeOfDay": ["07:15", "18:00"]},
        "every day at 07:15 and 18:00",
        "tous les jours à 07:15 et 18:00",
        "كل يوم في الساعة 7:15 ص و6:00 م",
    ),
    (
        {"frequency": 1, "period": 1, "periodUnit": "d", "dayOfWeek": ["sat"],
         "timeOfDay": ["10:30"]},
        "every Saturday at 10:30",
        "le samedi de chaque semaine à 10:30",
        "يوم السبت من كل أسبوع في الساعة 10:30 ص",
    ),
    (
        {"dayOfWeek": ["mon", "thu"]},
        "every Monday and Thursday",
        "les lundi et jeudi de chaque semaine",
        "يومي الاثنين والخميس من كل أسبوع",
    ),
    (
        {"frequency": 2, "period": 1, "periodUnit": "wk"},
        "2 times a week",
        "2 fois par semaine",
        "مرتين كل أسبوع",
    ),
    (
        {"frequency": 1, "period": 1, "periodUnit": "mo", "count": 11},
        "once a month, 11 times in all",
        "une fois par mois, 11 fois en tout",
        "مرة واحدة كل شهر، 11 مرة في المجموع",
    ),
    (
        {"frequency": 1, "period": 2, "periodUnit": "d", "bounds": {"start": "2031-05-02",
                                                                     "end": "2031-06-05"}},
        "every 2 days, from 2 May 2031, up to and including 5 June 2031",
        "tous les 2 jours, à partir du 2 mai 2031, jusqu’au 5 juin 2031 inclus",
        "كل يومين، ابتداءً من 2 مايو 2031، حتى نهاية يوم 5 يونيو 2031",
    ),
    (
        {"frequency": 2, "period": 3, "periodMax": 4, "periodUnit": "wk"},
        "2 times every 3 to 4 weeks",
        "2 fois toutes les 3 à 4 semaines",
        "مرتين كل 3 إلى 4 أسابيع",
    ),
    (
        {"period": 1.5, "periodUnit": "h"},
        "every 1.5 hours",
        "toutes les 1,5 heures",
        "كل 1.5 ساعة",
    ),
    (
        {"boundsRange": {"low": {"value": 2, "unit": "wk"}, "high": {"value": 3, "unit": "wk"}},
         "period": 1, "periodUnit": "d"},
        "once a day, for at least 2 weeks, for at most 3 weeks",
        "une fois par jour, pendant au moins 2 semaines, pendant au plus 3 semaines",
        "مرة واحدة كل يوم، لمدة لا تقل عن أسبوعين، لمدة لا تزيد على 3 أسابيع",
    ),
    (
        {"event": ["2031-05-02T07:05:00+02:00"]},
        "on: 2 May 2031, 07:05 (UTC+02:00)",
        "le : 2 mai 2031, 07:05 (UTC+02:00)",
        "في: 2 مايو 2031، 7:05 ص (UTC+02:00)",
    ),
    ({}, "at no set time", "sans heure fixe", "بلا وقت محدد"),
]  # fmt: skip


def said(code: str, schedule: Schedule) -> str:
    return words_of(code).schedule(schedule).translate({ord(ISOLATE): None, ord(END_ISOLATE): None})


@pytest.mark.parametrize(("schedule", "english", "french", "arabic"), TABLE)
def test_schedules_as_a_family_reads_them(
    schedule: dict[str, Any], english: str, french: str, arabic: str
) -> None:
    told = [said(code, Schedule.model_validate(schedule)) for code in ("en", "fr", "ar")]
    assert told == [english, french, arabic]


def test_as_needed_is_said_before_how_often() -> None:
    regimen = Regimen.model_validate(
        {"key": "a", "technique": "acbt", "healthState": "any", "asNeeded": True,
         "schedule": {"frequency": 1, "frequencyMax": 4, "period": 1, "periodUnit": "d"}}
    )  # fmt: skip
    assert words_of("en").when(regimen) == "when needed, 1 to 4 times a day"
    assert words_of("fr").when(regimen) == "si besoin, 1 à 4 fois par jour"
    bare = regimen.model_copy(update={"schedule": None})
    assert words_of("ar").when(bare) == "عند الحاجة"
    never = bare.model_copy(update={"as_needed": False})
    assert words_of("en").when(never) == "at no set time"


FULL: dict[str, Any] = {
    "event": ["2031-05-02T07:05:00+02:00"],
    "bounds": {"start": "2033-01-02", "end": "2034-02-03"},
    "boundsDuration": {"value": 41, "unit": "wk"},
    "boundsRange": {"low": {"value": 42, "unit": "d"}, "high": {"value": 43, "unit": "mo"}},
    "count": 44,
    "countMax": 45,
    "duration": 46,
    "durationMax": 47,
    "durationUnit": "min",
    "frequency": 4,
    "frequencyMax": 5,
    "period": 8,
    "periodMax": 9,
    "periodUnit": "h",
    "dayOfWeek": ["tue", "sun"],
    "timeOfDay": ["03:33"],
    "when": ["ACM", "MORN"],
    "offset": 48,
}


def test_the_full_schedule_has_every_field_that_there_is() -> None:
    assert set(FULL) == set(Schedule.model_json_schema(by_alias=True)["properties"])


@pytest.mark.parametrize("code", offered())
@pytest.mark.parametrize("name", sorted(FULL))
def test_nothing_of_a_schedule_is_left_out(code: str, name: str) -> None:
    """Without any of its fields a schedule says something else; alone each says something."""
    whole = said(code, Schedule.model_validate(FULL))
    less = {key: value for key, value in FULL.items() if key != name}
    assert said(code, Schedule.model_validate(less)) != whole
    alone = said(code, Schedule.model_validate({name: FULL[name]}))
    assert alone != said(code, Schedule())


@pytest.mark.parametrize("code", offered())
@given(document=schedules())
def test_every_schedule_is_said_in_every_language(code: str, document: dict[str, Any]) -> None:
    """No translation is missing, no value left open, and no English left in Arabic."""
    told = said(code, Schedule.model_validate(document))
    assert told.strip()
    assert "{" not in told
    if code == "ar":
        assert set(re.findall(r"[A-Za-z]+", told)) <= {"UTC"}


counted = st.integers(3, 9999)


@pytest.mark.parametrize("code", offered())
@given(often=counted, longest=counted, count=counted)
def test_every_number_of_a_schedule_is_in_its_words(
    code: str, often: int, longest: int, count: int
) -> None:
    document = {"frequency": often, "period": 2.125, "periodUnit": "d", "count": count,
                "boundsDuration": {"value": longest, "unit": "d"}}  # fmt: skip
    told = re.findall(r"\d+(?:[.,]\d+)?", said(code, Schedule.model_validate(document)))
    point = "," if code == "fr" else "."
    assert told == [str(often), f"2{point}125", str(count), str(longest)]
