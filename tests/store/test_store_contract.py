"""What every engine promises: versions, units of work, identifiers, outbox, history."""

from concurrent.futures import ThreadPoolExecutor
from datetime import timedelta
from threading import Barrier

import pytest
from store_samples import NOON, version

from service.fhir.search.terms import IndexRow, ReferenceRow, TokenRow
from service.store.contract import Entry, Release, Store, Version


def write(store: Store, *versions: Version, index: tuple[IndexRow, ...] = ()) -> None:
    with store.begin() as unit:
        unit.write([Entry(one, index) for one in versions])


def ids(versions) -> list[str]:
    return [one.id for one in versions]


# -- versions ------------------------------------------------------------------------------------


def test_what_was_written_is_read_back_byte_for_byte(store: Store) -> None:
    body = '{"value":0.10,"name":"Zoë","big":1.2E+2}'.encode()
    write(store, version("a", body=body))
    with store.read() as reader:
        assert reader.current([("Observation", "a")]) == {
            ("Observation", "a"): version("a", body=body)
        }
        assert reader.version(("Observation", "a"), 1) == version("a", body=body)


def test_what_is_not_there_is_not_there(store: Store) -> None:
    write(store, version("a"))
    with store.read() as reader:
        assert reader.current([("Observation", "b"), ("Patient", "a")]) == {}
        assert reader.version(("Observation", "a"), 2) is None
        assert reader.versions([("Patient", "a")]) == []
        assert reader.search("Patient").versions == ()


def test_the_last_version_is_current_and_earlier_ones_stay(store: Store) -> None:
    write(store, version("a"))
    write(store, version("a", 2))
    with store.read() as reader:
        assert reader.current([("Observation", "a")])["Observation", "a"].version == 2
        assert reader.version(("Observation", "a"), 1) == version("a", 1)
        assert [one.version for one in reader.versions([("Observation", "a")])] == [1, 2]


def test_two_versions_of_one_resource_may_come_in_one_unit(store: Store) -> None:
    with store.begin() as unit:
        first = Entry(version("a", 1), [TokenRow("status", "", "final")])
        second = Entry(version("a", 2), [TokenRow("status", "", "amended")])
        unit.write([first, second])
        assert unit.current([("Observation", "a")])["Observation", "a"].version == 2
    with store.read() as reader:
        assert len(reader.versions([("Observation", "a")])) == 2
        assert ids(reader.search("Observation").versions) == ["a"]


def test_a_deleted_resource_is_current_but_not_found(store: Store) -> None:
    row = TokenRow("identifier", "urn:s", "1")
    write(store, version("a"), index=(row,))
    write(store, version("a", 2, deleted=True))
    with store.read() as reader:
        assert reader.current([("Observation", "a")])["Observation", "a"].deleted
        assert reader.search("Observation").versions == ()
        assert reader.holders("Observation", [("urn:s", "1")]) == {}


def test_many_resources_in_one_unit(store: Store) -> None:
    made = [version(f"r{number}") for number in range(1200)]
    write(store, *made)
    with store.read() as reader:
        assert len(reader.current({(one.type, one.id) for one in made})) == 1200
        assert reader.total("Observation") == 1200


def test_version_numbers_cannot_be_given_twice(store: Store) -> None:
    write(store, version("a"))
    with pytest.raises(Exception, match=r"(?i)unique"):
        write(store, version("a", body=b"other"))
    with store.read() as reader:
        assert reader.version(("Observation", "a"), 1) == version("a")


# -- units of work -------------------------------------------------------------------------------


def test_what_is_noted_of_the_store_is_there_until_something_else_is(store: Store) -> None:
    with store.read() as reader:
        assert reader.fact("parameters") is None
    for value in ("one", "Zoë"):
        with store.begin() as unit:
            unit.keep_fact("parameters", value)
            unit.keep_fact("other", "as it was")
    with store.read() as reader:
        assert reader.fact("parameters") == "Zoë"
        assert reader.fact("other") == "as it was"


def test_an_error_undoes_the_whole_unit(store: Store) -> None:
    def fail_after_writing() -> None:
        with store.begin() as unit:
            unit.write([Entry(version("a"), [TokenRow("status", "", "final")])])
            assert unit.total("Observation") == 1
            raise ZeroDivisionError

    with pytest.raises(ZeroDivisionError):
        fail_after_writing()
    with store.read() as reader:
        assert reader.total("Observation") == 0
        assert reader.events(0, 10) == []
    write(store, version("a"))


def test_a_reader_keeps_its_view_while_others_write(store: Store) -> None:
    write(store, version("a"))
    with store.read() as reader:
        assert reader.total("Observation") == 1
        write(store, version("b"))
        assert reader.total("Observation") == 1
    with store.read() as reader:
        assert reader.total("Observation") == 2


def test_of_eight_writers_that_look_first_one_creates(store: Store) -> None:
    start = Barrier(8)

    def create(number: int) -> bool:
        start.wait()
        with store.begin() as unit:
            unit.hold(["Observation?identifier=urn:s|1"])
            if unit.holders("Observation", [("urn:s", "1")]):
                return False
            unit.write([Entry(version(f"r{number}"), [TokenRow("identifier", "urn:s", "1")])])
            return True

    with ThreadPoolExecutor(8) as pool:
        assert sum(pool.map(create, range(8))) == 1
    with store.read() as reader:
        assert reader.total("Observation") == 1


@pytest.mark.parametrize("openings", [1, 4])
def test_a_locked_resource_changes_in_one_unit_at_a_time(open_store, openings) -> None:
    """Also when the writers know nothing of each other, as processes do."""
    stores = [open_store() for _ in range(openings)]
    write(stores[0], version("a"))

    def bump(number: int) -> None:
        with stores[number % openings].begin() as unit:
            before = unit.lock([("Observation", "a")])["Observation", "a"]
            unit.write([Entry(version("a", before.version + 1))])

    with ThreadPoolExecutor(8) as pool:
        list(pool.map(bump, range(40)))
    with stores[0].read() as reader:
        assert reader.current([("Observation", "a")])["Observation", "a"].version == 41


def test_a_store_opened_again_has_everything(open_store) -> None:
    first = open_store()
    write(first, version("a"))
    first.close()
    with open_store().read() as reader:
        assert reader.total("Observation") == 1


# -- identifiers, outbox, releases ---------------------------------------------------------------


def test_identifiers_are_looked_up_together_and_exactly(store: Store) -> None:
    write(store, version("a"), index=(TokenRow("identifier", "urn:s", "1"),))
    write(store, version("b"), index=(TokenRow("identifier", "urn:s", "2"),))
    write(store, version("c"), index=(TokenRow("identifier", "urn:s", "2"),))
    write(store, version("d"), index=(TokenRow("code", "urn:s", "3"),))
    asked = [("urn:s", "1"), ("urn:s", "2"), ("urn:s", "3"), ("urn:S", "1"), ("", "1")]
    with store.read() as reader:
        found = reader.holders("Observation", asked)
        assert found == {("urn:s", "1"): ["a"], ("urn:s", "2"): ["b", "c"]}
        assert reader.holders("Patient", asked) == {}


def test_the_outbox_has_every_version_once_in_order(store: Store) -> None:
    write(store, version("a"), version("b"))
    write(store, version("a", 2))
    with store.read() as reader:
        events = reader.events(0, 10)
        assert [(one.id, one.version) for one in events] == [("a", 1), ("b", 1), ("a", 2)]
        assert reader.events(events[0].number, 1) == events[1:2]


def test_a_release_is_kept_once_and_given_back_byte_for_byte(store: Store) -> None:
    first = Release("2031-H1", NOON, b"\x00rows")
    with store.begin() as unit:
        assert unit.keep_release(first) == first
    with store.begin() as unit:
        again = Release("2031-H1", NOON + timedelta(days=1), b"others")
        assert unit.keep_release(again) == first
    with store.read() as reader:
        assert reader.release("2031-H1") == first
        assert reader.release("2031-H2") is None


# -- history -------------------------------------------------------------------------------------


def test_history_is_newest_first_and_pages_without_gaps(store: Store) -> None:
    for number in range(1, 8):
        write(store, version("a", number))
        write(store, version("b", number))
    with store.read() as reader:
        seen, cursor = [], None
        while True:
            page = reader.history("Observation", "a", count=3, cursor=cursor)
            seen += [one.version for one in page.versions]
            cursor = page.next
            if cursor is None:
                break
        assert seen == [7, 6, 5, 4, 3, 2, 1]
        assert len(reader.history("Observation", count=100).versions) == 14
        assert len(reader.history(None, count=100).versions) == 14
        assert reader.history("Patient", count=100).versions == ()
        whole = [("Observation", "a"), ("Observation", None), (None, None), ("Patient", None)]
        assert [reader.history_total(*one) for one in whole] == [7, 14, 14, 0]


def test_history_since_includes_the_instant_itself(store: Store) -> None:
    write(store, version("a", 1, instant=NOON))
    write(store, version("a", 2, instant=NOON + timedelta(seconds=1)))
    with store.read() as reader:
        since = NOON + timedelta(seconds=1)
        page = reader.history("Observation", "a", since=since, count=10)
        assert [one.version for one in page.versions] == [2]
        assert reader.history_total("Observation", "a", since=since) == 1


# -- links -----------------------------------------------------------------------------------------


def test_links_are_followed_both_ways(store: Store) -> None:
    to_child = ReferenceRow("subject", "Patient", "p")
    to_device = ReferenceRow("subject", "Device", "d")
    elsewhere = ReferenceRow("subject", "", "https://other.example/fhir/Patient/1")
    with store.begin() as unit:
        unit.write([Entry(version("a"), [to_child, elsewhere]), Entry(version("b"), [to_device])])
        unit.write([Entry(version("c"), [to_child]), Entry(version("d"), [to_child])])
        unit.write([Entry(version("d", 2, deleted=True))])
    a, b, c = (("Observation", name) for name in "abc")
    with store.read() as reader:
        found = reader.references([a, b, ("Observation", "none")], "subject")
        assert found == {a: [("Patient", "p")], b: [("Device", "d")]}
        assert reader.references([a, b], "subject", "Device") == {b: [("Device", "d")]}
        assert reader.references([a], "performer") == {}
        targets = [("Patient", "p"), ("Device", "d")]
        assert reader.referrers(targets, "Observation", "subject", 10) == [a, b, c]
        assert reader.referrers(targets, "Observation", "subject", 2) == [a, b]
        assert reader.referrers(targets, "CarePlan", "subject", 10) == []
