"""Definitions by canonical and version, and what value sets hold (R4 valueset.html#compose)."""

from pathlib import Path
from typing import Any

import pytest

from service.fhir import json
from service.fhir.definitions import DefinitionError, Definitions

HOME = "https://example.org/acw"


def conformance(kind: str, name: str, **more: Any) -> dict[str, Any]:
    return {"resourceType": kind, "url": f"{HOME}/{kind}/{name}"} | more


def including(*parts: dict[str, Any], **more: Any) -> dict[str, Any]:
    return {"compose": {"include": list(parts)} | more}


COLOURS = conformance(
    "CodeSystem",
    "colour",
    content="complete",
    concept=[{"code": "red", "concept": [{"code": "pink"}]}, {"code": "blue"}],
)
COLOUR = COLOURS["url"]


def known(*resources: dict[str, Any]) -> Definitions:
    definitions = Definitions()
    for resource in (COLOURS, *resources):
        definitions.add(resource)
    return definitions


def test_the_highest_version_answers_when_none_is_asked() -> None:
    versions = [conformance("ValueSet", "v", version=v) for v in ("1.9.0", "1.10.0", "1.2.0")]
    definitions = known(*versions)
    url = versions[0]["url"]
    assert definitions.find(url) is versions[1]
    assert definitions.find(f"{url}|1.2.0") is versions[2]
    assert definitions.find(f"{url}|2.0.0") is None
    with pytest.raises(DefinitionError, match="twice"):
        definitions.add(versions[0] | {"status": "retired"})


@pytest.mark.parametrize(
    ("content", "members", "others"),
    [
        (including({"system": COLOUR}), ["red", "pink", "blue"], ["green"]),
        (including({"system": COLOUR, "concept": [{"code": "red"}]}), ["red"], ["blue"]),
        (including({"system": COLOUR}, exclude=[{"system": COLOUR, "concept": [{"code": "red"}]}]),
         ["blue"], ["red"]),
        (including({"valueSet": [f"{HOME}/ValueSet/warm"]}), ["red"], ["blue"]),
        (including({"system": COLOUR, "valueSet": [f"{HOME}/ValueSet/warm"]}), ["red"], ["blue"]),
    ],
)  # fmt: skip
def test_members(content: dict[str, Any], members: list[str], others: list[str]) -> None:
    warm = conformance(
        "ValueSet", "warm", **including({"system": COLOUR, "concept": [{"code": "red"}]})
    )
    value_set = conformance("ValueSet", "asked", **content)
    codes = known(warm, value_set).code_set(value_set["url"])
    assert codes is not None
    assert all(codes.holds(COLOUR, code) and codes.holds_code(code) for code in members)
    assert not any(codes.holds(COLOUR, code) or codes.holds_code(code) for code in others)
    assert not any(codes.holds(None, code) for code in members)


def test_a_system_that_is_not_loaded_is_taken_whole() -> None:
    value_set = conformance("ValueSet", "v", **including({"system": "http://snomed.info/sct"}))
    codes = known(value_set).code_set(value_set["url"])
    assert codes is not None
    assert codes.holds("http://snomed.info/sct", "1")
    assert not codes.holds(COLOUR, "red")


def test_a_value_set_by_filter_or_unknown_cannot_be_judged() -> None:
    by_filter = {"system": COLOUR, "filter": [{"property": "code", "op": "regex", "value": "x"}]}
    value_set = conformance("ValueSet", "v", **including(by_filter))
    assert known(value_set).code_set(value_set["url"]) is None
    assert known().code_set(f"{HOME}/ValueSet/nowhere") is None


def test_a_value_set_that_includes_itself_is_refused() -> None:
    value_set = conformance("ValueSet", "v", **including({"valueSet": [f"{HOME}/ValueSet/v"]}))
    with pytest.raises(DefinitionError, match="includes itself"):
        known(value_set).code_set(value_set["url"])


def test_folders_are_read_and_their_examples_left_out(tmp_path: Path) -> None:
    for place, resource in (("codes", COLOURS), ("examples", conformance("ValueSet", "v"))):
        (tmp_path / place).mkdir()
        (tmp_path / place / "one.json").write_bytes(json.write(resource))
    (tmp_path / "rules.json").write_text("[]")
    definitions = Definitions.load(tmp_path)
    assert definitions.find(COLOUR) == COLOURS
    assert list(definitions.of_type("ValueSet")) == []
    with pytest.raises(DefinitionError):
        Definitions.load(tmp_path / "nowhere")
