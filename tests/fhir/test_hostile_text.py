"""Text made to hurt: an answer with a reason, in bounded time, in bounded memory."""

import json
import time
import tracemalloc
from typing import Any

import pytest
from profile_files import PASSING
from serious import serious

from service.compose import build_definitions
from service.fhir.fast import QuickValidator
from service.fhir.fast.memory import LIMIT, ROOM, Verified, VerifiedObjects
from service.fhir.json import read, write
from service.fhir.outcome import operation_outcome
from service.fhir.validation import profile_rules
from service.resources import profiles_dir

RULES = profile_rules(read((profiles_dir() / "rules.json").read_bytes()))
VALIDATOR = QuickValidator(build_definitions(), RULES)
SESSION = json.loads(next(f for f in PASSING if f.stem == "session-full").read_bytes())
PLAN = json.loads(next(f for f in PASSING if f.stem == "plan-minimal").read_bytes())
SECONDS = 6.0
"""Of processor time for one text; most take milliseconds, the largest hold megabytes."""
MANY = 100_000


def text(value: Any) -> bytes:
    return json.dumps(value).encode()


def item(levels: int) -> dict[str, Any]:
    row: dict[str, Any] = {
        "linkId": "0",
        "type": "group",
        "item": [{"linkId": "x", "type": "string"}],
    }
    for level in range(levels):
        row = {"linkId": str(level + 1), "type": "group", "item": [row]}
    return row


def questionnaire(levels: int) -> dict[str, Any]:
    return {"resourceType": "Questionnaire", "status": "draft", "item": [item(levels)]}


def extension(levels: int) -> dict[str, Any]:
    inner: dict[str, Any] = {"url": "http://x.example/e", "valueString": "x"}
    for _ in range(levels):
        inner = {"url": "http://x.example/e", "extension": [inner]}
    return inner


def assigner(levels: int) -> dict[str, Any]:
    inner: dict[str, Any] = {"value": "1"}
    for _ in range(levels):
        inner = {"value": "1", "assigner": {"identifier": inner}}
    return inner


def patient(**more: Any) -> dict[str, Any]:
    return {"resourceType": "Patient", "name": [{"family": "Test"}], **more}


def contained(levels: int) -> dict[str, Any]:
    inner = patient(id="p")
    for _ in range(levels):
        inner = patient(id="p", contained=[inner])
    return inner


def session(**more: Any) -> dict[str, Any]:
    return SESSION | more


def with_part(code: str, **value: Any) -> dict[str, Any]:
    system = "https://airway-programmes.example/fhir/CodeSystem/airway-session-part"
    parts = [p for p in SESSION["component"] if p["code"]["coding"][0]["code"] != code]
    return session(
        component=[*parts, {"code": {"coding": [{"system": system, "code": code}]}, **value}]
    )


def narrative(div: str) -> dict[str, Any]:
    return PLAN | {"text": {"status": "generated", "div": div}}


DIV = '<div xmlns="http://www.w3.org/1999/xhtml">'

REFUSED: dict[str, tuple[bytes, str]] = {
    "open arrays": (b"[" * MANY, "json"),
    "open objects": (b'{"a":' * MANY, "json"),
    "arrays in arrays": (b"[" * MANY + b"]" * MANY, "json"),
    "items deeper than the limit": (text(questionnaire(40)), "json"),
    "extensions deeper than the limit": (text(patient(extension=[extension(40)])), "json"),
    "extensions as deep as allowed": (text(patient(extension=[extension(25)])), ""),
    "identifiers of assigners": (text(patient(identifier=[assigner(28)])), ""),
    "contained in contained": (text(contained(28)), "dom-2"),
    "twenty thousand equal parts": (
        text(session(component=SESSION["component"] + SESSION["component"][:1] * 20_000)),
        "cardinality-max",
    ),
    "a hundred thousand given names": (
        text(patient(name=[{"given": ["x"] * MANY + [""]}])),
        "primitive",
    ),
    "twenty thousand extensions": (
        text(session(extension=[{"url": "x", "valueString": "x"}] * 20_000)),
        "extension-url",
    ),
    "a hundred thousand names": (
        text(patient(**{f"x{n}": 1 for n in range(MANY)})),
        "unknown-element",
    ),
    "one name a hundred thousand times": (b"{" + b'"a":1,' * MANY + b'"a":1}', "json"),
    "a string beyond a megabyte": (
        text(patient(language="en", name=[{"text": "x" * (1 << 21)}])),
        "primitive",
    ),
    "an id of a megabyte": (text(patient(id="x" * (1 << 20))), "primitive"),
    "a code of blanks": (text(session(language="a " * MANY + "!")), "required-binding"),
    "base64 that ends badly": (
        text(patient(photo=[{"contentType": "image/png", "data": "AAAA " * MANY + "!"}])),
        "primitive",
    ),
    "a date of digits": (text(patient(birthDate="2" * MANY)), "primitive"),
    "an instant of fractions": (
        text(session(issued="2031-05-01T07:05:00." + "0" * MANY)),
        "primitive",
    ),
    "a narrative of brackets": (text(narrative(DIV + "<" * MANY)), "txt-1"),
    "a narrative of open elements": (text(narrative(DIV + "<b>" * 30_000)), "txt-1"),
    "a narrative that repeats an entity": (
        text(
            narrative(
                '<!DOCTYPE d [<!ENTITY a "' + "x" * 1000 + '">]>' + DIV + "&a;" * MANY + "</div>"
            )
        ),
        "txt-1",
    ),
    "a number beyond all bounds": (
        text(with_part("minutes", valueQuantity={"value": 0})).replace(
            b'"value": 0', b'"value": 1e4000'
        ),
        "json",
    ),
    "a number of digits": (
        b'{"resourceType":"Patient","multipleBirthInteger":' + b"1" * MANY + b"}",
        "json",
    ),
    "not a number": (b'{"resourceType":"Patient","multipleBirthInteger":NaN}', "json"),
    "half a character": (b'{"resourceType":"Patient","id":"\\ud800"}', "json"),
    "not UTF-8": (b'{"resourceType":"Patient","id":"\xff"}', "json"),
    "beyond the size limit": (b" " * (17 << 20), "json"),
    "nothing": (b"", "json"),
}
"""What it is, the text, and a key that the answer has to hold."""
TAKEN: dict[str, bytes] = {
    "a long note": text(PLAN | {"note": [{"text": "word " * 100_000}]}),
    "items as deep as allowed": text(questionnaire(25)),
    "a long narrative": text(narrative(DIV + "<p>x y</p>" * 20_000 + "</div>")),
    "a number that no float holds": text(
        with_part(
            "minutes",
            valueQuantity={
                "value": 12345678,
                "system": "http://unitsofmeasure.org",
                "code": "min",
            },
        )
    ).replace(b"12345678", b"1e400"),
    "many codings of one concept": text(
        session(
            method={
                "coding": SESSION["method"]["coding"]
                + [{"system": "http://x.example/cs", "code": f"c{n}"} for n in range(20_000)],
            }
        )
    ),
}


def checked(data: bytes) -> list[Any]:
    started = time.process_time()
    findings = VALIDATOR.validate_text(data)
    assert time.process_time() - started < SECONDS
    return findings


@pytest.mark.parametrize("name", REFUSED)
def test_a_reason_is_given_in_bounded_time(name: str) -> None:
    data, key = REFUSED[name]
    assert not VALIDATOR.quick.is_clean_text(data)
    findings = checked(data)
    assert key in {f.key for f in serious(findings)} | {""}
    assert len(json.dumps(operation_outcome(findings[:10]))) < 20_000


@pytest.mark.parametrize("name", TAKEN)
def test_large_and_odd_is_not_wrong(name: str) -> None:
    assert serious(checked(TAKEN[name])) == []


def test_what_is_remembered_stays_bounded() -> None:
    """Thousands of sessions that differ in everything free: no memory grows past its limit."""
    namespace = VALIDATOR.quick._generator.module.quick
    for number in range(3 * LIMIT):
        resource = with_part("helper", valueString=f"helper {number}") | {
            "id": f"s{number}",
            "identifier": [{"system": f"http://x.example/{number}", "value": str(number)}],
            "method": {
                "coding": [
                    *SESSION["method"]["coding"],
                    {"system": "http://x.example/cs", "code": f"c{number}"},
                ]
            },
        }
        assert VALIDATOR.quick.is_clean_text(text(resource))
    sizes = [len(value) for value in namespace.values() if isinstance(value, Verified)]
    rooms = [sum(map(len, v)) for v in namespace.values() if isinstance(v, VerifiedObjects)]
    assert max(sizes) > LIMIT / 2  # the loop has filled some
    assert max(sizes) <= LIMIT
    assert max(rooms) <= ROOM


def test_memory_for_one_text_is_in_proportion_to_it() -> None:
    data = text(session(component=SESSION["component"][:3] + SESSION["component"][3:4] * 20_000))
    tracemalloc.start()
    VALIDATOR.quick.is_clean_text(data)
    _, peak = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert peak < 40 * len(data)


def test_clean_is_still_clean_afterwards() -> None:
    for file in PASSING:
        assert serious(VALIDATOR.validate_text(write(read(file.read_bytes())))) == []
