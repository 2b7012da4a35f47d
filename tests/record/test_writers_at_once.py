"""Many writers of one record at once: each loses or wins whole."""

from concurrent.futures import ThreadPoolExecutor
from threading import Barrier

from record_samples import AUTHOR, SYSTEM, numbered, observation

from service.record import Create, Match, Update
from service.record.errors import Conflict, RecordError


def put(record, resource, **how):
    return record.write([Update(resource, **how)], AUTHOR)[0]


def at_once(count, act):
    start = Barrier(count)

    def run(number):
        start.wait()
        try:
            return act(number)
        except RecordError as error:
            return error

    with ThreadPoolExecutor(count) as pool:
        return list(pool.map(run, range(count)))


def test_of_eight_writers_with_one_tag_exactly_one_wins(record):
    put(record, observation(0, id="a"))
    for round_ in range(1, 6):
        results = at_once(
            8,
            lambda number, tag=f'W/"{round_}"', base=round_ * 10: put(
                record, observation(base + number, id="a"), if_match=tag
            ),
        )
        won = [one for one in results if not isinstance(one, RecordError)]
        assert [one.version for one in won] == [round_ + 1]
        assert sum(isinstance(one, Conflict) for one in results) == 7
    assert len(record.history(AUTHOR, "Observation", "a").versions) == 6


def test_of_eight_conditional_creates_exactly_one_creates(record):
    match = Match.identifier("Observation", SYSTEM, "app-17")
    results = at_once(
        8, lambda _: record.write([Create(numbered("app-17"), match=match)], AUTHOR)[0]
    )
    assert sorted(one.done for one in results) == ["created"] + ["existing"] * 7
    assert len({(one.id, one.version) for one in results}) == 1
    assert record.total(AUTHOR, "Observation") == 1


def test_writers_without_a_tag_all_get_through(record):
    results = at_once(8, lambda number: put(record, observation(number, id="a")))
    assert sorted(one.version for one in results) == list(range(1, 9))
