"""The quick path by example: what it reads, what it remembers, and what it leaves to the other."""

import copy
import re
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import pytest
from quick_path import JUDGED, LEFT_ALONE, both, law_holds, said

from service.compose import build_definitions
from service.fhir.definitions import Definitions
from service.fhir.fast import FastPath, QuickValidator
from service.fhir.fast.memory import LIMIT, ROOM, Verified, VerifiedObjects
from service.fhir.fast.reading import read_quickly
from service.fhir.json import read, write
from service.fhir.validation import profile_rules
from service.resources import profiles_dir

NAMED = {file.stem: file.read_bytes() for file in JUDGED}
SESSION = write(read(NAMED["session-full"]))
QUICK = both()[0]
RULES = profile_rules(read((profiles_dir() / "rules.json").read_bytes()))


@pytest.mark.parametrize("name", NAMED)
def test_our_examples_are_clean_as_they_stand_and_compact(name: str) -> None:
    assert law_holds(NAMED[name])
    assert law_holds(write(read(NAMED[name])))


@pytest.mark.parametrize("file", LEFT_ALONE, ids=lambda file: file.stem)
def test_what_reaches_over_the_whole_document_is_left_to_the_other(file: Path) -> None:
    assert not law_holds(file.read_bytes())
    assert said(read(file.read_bytes())) == []


@pytest.mark.parametrize(
    ("text", "quick"),
    [
        (b'{"a":1,"b":[0.5,"x"]}', True),
        (b'{ "a" : 1 ,\r\n\t"b" : [ 0.5, "x y" ] }\n', True),
        (b'{"a":1.50}', False),  # orjson keeps the number, not how it was written
        (b'{"a":1e3}', False),
        (b'{"a":-0}', False),
        (b'{"a":100.00000000000000001}', False),
        (b'{"a":123456789012345678901234567890}', False),
        (b'{"a":1e400}', False),
        (b'{"a":NaN}', False),
        (b'{"a":"\\u0041"}', False),
        (b'{"a":1,"a":1}', False),
        (b'{"b":[{"a":"x"},{"a":"x","c":1,"a":"x"}]}', False),
        (b'{"a b":1,"a b":1}', False),
        (b'\xef\xbb\xbf{"a":1}', False),
    ],
)
def test_only_text_that_comes_back_as_it_came_is_read_quickly(text: bytes, quick: bool) -> None:
    assert (read_quickly(text) is not None) == quick


def changed(old: bytes, new: bytes) -> bytes:
    assert old in SESSION
    return SESSION.replace(old, new, 1)


@pytest.mark.parametrize(
    ("old", "new"),
    [
        (b'"value":20,', b'"value":20.50,'),
        (b'"value":97,', b'"value":100,'),
        (b'"value":97,', b'"value":100.0,'),
        (b'"value":2.5,', b'"value":0.0,'),
        (b'"d-2"', b'"d-\\u0032"'),
        (b"Grandmother", "Großmutter 👵".encode()),
        (b"2031-03-02T07:05:00+01:00", b"2031-03-02T06:05:00Z"),
    ],
)
def test_other_ways_of_writing_a_clean_session(old: bytes, new: bytes) -> None:
    assert law_holds(changed(old, new))


@pytest.mark.parametrize(
    ("old", "new"),
    [
        (b'"value":97,', b'"value":100.00000000000000001,'),
        (b'"value":20,', b'"value":-1e-9,'),
        (b'"value":20,', b'"value":1e4000,'),
        (b'"valueInteger":6', b'"valueInteger":6.0'),
        (b'"valueInteger":2}', b'"valueInteger":11}'),
        (b'"status":"final"', b'"status":"final","status":"final"'),
        (b'"status":"final"', b'"status":"done"'),
        (b'"status":"final"', b'"status":null'),
        (b'"id":"session-full"', b'"id":"session full"'),
        (b"2031-03-02T07:05:00+01:00", b"2031-03-02T08:25:01+02:00"),  # after the end
        (b"2031-03-02T07:05:00+01:00", b"2031-02-30T07:05:00+01:00"),
        (b'"code":"opep"', b'"code":"juggling"'),
        (b'"reference":"Patient/child-pebble"', b'"reference":"Group/child-pebble"'),
        (b'"valueString":"phone-diary"', b'"valueString":"phone-diary","valueCode":"x"'),
    ],
)
def test_broken_sessions(old: bytes, new: bytes) -> None:
    assert not law_holds(changed(old, new))


def test_what_it_does_not_know_is_not_clean() -> None:
    plain = {"resourceType": "Patient", "name": [{"family": "Test"}]}
    assert QUICK.is_clean(plain)
    for more in (
        {"contained": [{"resourceType": "Organization", "id": "o", "name": "O"}]},
        {"_birthDate": {"extension": [{"url": "http://x.example/e", "valueString": "x"}]}},
        {"extension": [{"url": "http://x.example/e", "valueString": "x"}]},
        {"modifierExtension": [{"url": "http://x.example/e", "valueString": "x"}]},
        {"implicitRules": "http://x.example/rules"},
        {"meta": {"profile": ["http://x.example/StructureDefinition/unknown"]}},
    ):
        assert not QUICK.is_clean(plain | more)
    assert not QUICK.is_clean(plain, ["http://x.example/StructureDefinition/unknown"])
    assert not QUICK.is_clean({"resourceType": "Unheard"})
    assert not QUICK.is_clean({"resourceType": "Element"})


@pytest.mark.parametrize("value", [None, [], {}, "Patient", 1, [{"resourceType": "Patient"}]])
def test_no_resource_at_all(value: Any) -> None:
    assert not QUICK.is_clean(value)
    assert not QUICK.is_clean_text(write(value))


def test_a_float_in_memory_is_no_decimal() -> None:
    session = read(SESSION)
    assert QUICK.is_clean(session)
    part = next(p for p in session["component"] if "valueQuantity" in p)
    part["valueQuantity"]["value"] = 20.5
    assert not QUICK.is_clean(session)


def test_profiles_it_cannot_turn_into_code_are_left_alone() -> None:
    """A profile on a profile, re-slicing, ordered slices: never wrongly clean."""
    base = "http://hl7.org/fhir/StructureDefinition/"
    definitions = Definitions()

    def profile(name: str, parent: str, *elements: dict[str, Any]) -> str:
        url = f"http://x.example/StructureDefinition/{name}"
        definitions.add({
            "resourceType": "StructureDefinition", "url": url, "type": "Patient",
            "kind": "resource", "derivation": "constraint", "baseDefinition": parent,
            "differential": {"element": [{"id": "Patient", "path": "Patient"}, *elements]},
        })  # fmt: skip
        return url

    needs_name = {"id": "Patient.name", "path": "Patient.name", "min": 1}
    known = profile("known", base + "Patient", needs_name)
    above = profile("above", known)
    odd = profile("odd", base + "Patient", needs_name | {"orderMeaning": "by use"})
    quick = FastPath(definitions)
    patient = {"resourceType": "Patient", "name": [{"family": "Test"}]}
    assert quick.is_clean(patient, [known])
    assert not quick.is_clean({"resourceType": "Patient", "active": True}, [known])
    assert not quick.is_clean(patient, [above])
    assert not quick.is_clean(patient, [odd])


def test_memories_are_bounded() -> None:
    texts = Verified(lambda value: value != "bad")
    for number in range(3 * LIMIT):
        assert texts.learn(f"text {number}")
        assert len(texts) <= LIMIT
    assert not texts.learn("bad")
    assert "bad" not in texts
    objects = VerifiedObjects(lambda value: int(value["ok"]))
    for number in range(2000):
        objects.learn(b"x" * 1000 + str(number).encode(), {"ok": True})
        assert sum(map(len, objects)) <= ROOM
    assert objects.learn(b"bad", {"ok": False}) == 0
    assert b"bad" not in objects


def test_many_threads_share_one() -> None:
    quick = FastPath(build_definitions(), RULES)
    documents = [read(text) for text in NAMED.values()] * 3
    broken = [document | {"unlisted": 1} for document in documents]
    with ThreadPoolExecutor(8) as pool:
        assert all(pool.map(quick.is_clean, documents))
        assert not any(pool.map(quick.is_clean, broken))


def test_nothing_that_was_given_is_changed() -> None:
    session = read(SESSION)
    before = copy.deepcopy(session)
    QUICK.is_clean(session)
    assert session == before


def test_the_source_can_be_read() -> None:
    source = QUICK.source()
    assert re.search(r"^def Period_\d+\(o\):  # Period$", source, re.MULTILINE)
    line = next(line for line in source.splitlines() if line.endswith("# per-1"))
    assert "moment_order(start, end) <= 0" in line


def test_the_validator_asks_it_first() -> None:
    validator = QuickValidator(build_definitions())
    assert validator.validate(read(SESSION)) == []
    assert [f.key for f in validator.diagnose(read(SESSION))] == ["dom-6"]
    spoilt = changed(b"final", b"done")
    assert [f.key for f in validator.validate_text(spoilt)] == ["required-binding"]
    assert [f.key for f in validator.diagnose(read(spoilt))] == ["required-binding", "dom-6"]
    assert [f.key for f in validator.validate_text(b"{")] == ["json"]
