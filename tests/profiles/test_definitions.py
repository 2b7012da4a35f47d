"""Our definitions as data: complete, consistent with each other, and narrower than R4."""

from typing import Any

import pytest
from profile_files import (
    BASE,
    DEFINITION_FILES,
    FOLDERS,
    accepted_by_others,
    codes_of,
    definitions,
    load,
    objects,
)
from shared_data import shared

from service.resources import profiles_dir

STRUCTURES = definitions("structuredefinitions")
VALUE_SETS = definitions("valuesets")
CODE_SYSTEMS = definitions("codesystems")
EXTENSIONS = {i: s for i, s in STRUCTURES.items() if s["type"] == "Extension"}
_HL7 = "http://hl7.org/fhir/StructureDefinition/"


def elements(structure: dict[str, Any]) -> list[dict[str, Any]]:
    listed: list[dict[str, Any]] = structure["differential"]["element"]
    return listed


@pytest.mark.parametrize("file", DEFINITION_FILES, ids=lambda file: file.stem)
def test_parses_with_an_independent_model(file):
    accepted_by_others(load(file))


@pytest.mark.parametrize("file", DEFINITION_FILES, ids=lambda file: file.stem)
def test_says_what_it_is_and_what_it_is_for(file):
    resource = load(file)
    kind = FOLDERS[file.parent.name]
    assert resource["resourceType"] == kind
    assert resource["id"] == file.stem
    assert resource["url"] == f"{BASE}/{kind}/{file.stem}"
    assert resource["version"] == "0.1.0"
    assert resource["status"] == "draft"
    assert resource["experimental"] is False
    for name in ("title", "description", "purpose", "publisher", "date"):
        assert resource[name].strip(), name
    assert resource["name"].isidentifier()
    assert resource["name"][0].isupper()


def test_names_are_unique_within_their_kind():
    for folder in FOLDERS:
        names = [resource["name"] for resource in definitions(folder).values()]
        assert len(set(names)) == len(names), folder


@pytest.mark.parametrize("structure", STRUCTURES.values(), ids=STRUCTURES)
def test_structure_rests_on_what_exists(structure):
    assert structure["fhirVersion"] == "4.0.1"
    assert structure["derivation"] == "constraint"
    assert structure["baseDefinition"] == _HL7 + structure["type"]
    identities = [element["id"] for element in elements(structure)]
    assert len(set(identities)) == len(identities)
    for element in elements(structure):
        if "binding" in element:
            assert element["binding"]["valueSet"].removeprefix(f"{BASE}/ValueSet/") in VALUE_SETS
        for kind in element.get("type", []):
            for profile in kind.get("profile", []):
                assert profile.removeprefix(f"{BASE}/StructureDefinition/") in EXTENSIONS


@pytest.mark.parametrize("extension", EXTENSIONS.values(), ids=EXTENSIONS)
def test_extension_fixes_its_url_and_says_where_it_belongs(extension):
    fixed = {element["id"]: element.get("fixedUri") for element in elements(extension)}
    assert fixed["Extension.url"] == extension["url"]
    assert extension["context"]
    assert all(context["type"] == "element" for context in extension["context"])


def test_every_extension_is_used_by_a_profile_of_the_element_it_belongs_to():
    used = {
        (profile.rsplit("/", 1)[1], structure["type"])
        for structure in STRUCTURES.values()
        for element in elements(structure)
        for kind in element.get("type", [])
        for profile in kind.get("profile", [])
    }
    for name, extension in EXTENSIONS.items():
        owners = {context["expression"].partition(".")[0] for context in extension["context"]}
        assert all((name, owner) in used for owner in owners), name


def test_a_constraint_key_means_one_thing():
    meanings: dict[str, set[str]] = {}
    for structure in STRUCTURES.values():
        for element in elements(structure):
            for constraint in element.get("constraint", []):
                assert constraint["key"].startswith("awp-")
                meanings.setdefault(constraint["key"], set()).add(constraint["human"])
    assert all(len(words) == 1 for words in meanings.values())
    concepts = {c["code"]: c["definition"] for c in CODE_SYSTEMS["airway-finding"]["concept"]}
    ours = {key: words for key, words in concepts.items() if key.startswith("awp-")}
    assert ours == {key: words.pop() for key, words in meanings.items()}


@pytest.mark.parametrize("name", CODE_SYSTEMS)
def test_every_code_system_is_complete_and_has_its_value_set(name):
    code_system = CODE_SYSTEMS[name]
    assert code_system["valueSet"] == f"{BASE}/ValueSet/{name}"
    assert VALUE_SETS[name]["compose"] == {"include": [{"system": code_system["url"]}]}
    concepts = code_system["concept"]
    assert len({concept["code"] for concept in concepts}) == len(concepts)
    assert all(concept["display"] and concept["definition"] for concept in concepts)
    if name == "airway-finding":  # keys of the standard's own constraints are not repeated
        assert code_system["content"] == "fragment"
    else:
        assert (code_system["content"], code_system["count"]) == ("complete", len(concepts))


def test_rules_name_existing_profiles_and_cover_them_all():
    rows = load(profiles_dir() / "rules.json")
    profiles = {s["url"]: s["type"] for s in STRUCTURES.values() if s["type"] != "Extension"}
    assert {row["profile"]: row["resourceType"] for row in rows} == profiles


def test_measures_are_told_apart_by_their_scoring():
    scoring = {i: m["scoring"]["coding"][0]["code"] for i, m in definitions("measures").items()}
    assert scoring == {
        "airway-sessions": "proportion",
        "airway-days": "proportion",
        "airway-any": "proportion",
        "airway-logged": "proportion",
        "airway-dose": "continuous-variable",
    }


def test_local_codes_exist_wherever_they_are_used():
    known = {system["url"]: set(codes_of(system)) for system in CODE_SYSTEMS.values()}
    for file in [*DEFINITION_FILES, *(profiles_dir() / "examples" / "pass").iterdir()]:
        for coding in objects(load(file)):
            if str(coding.get("system", "")).startswith(f"{BASE}/CodeSystem/") and "code" in coding:
                assert coding["code"] in known[coding["system"]], (file.name, coding)


@pytest.mark.parametrize("structure", STRUCTURES.values(), ids=STRUCTURES)
def test_structure_only_narrows_the_base_standard(structure):
    """Against the element table of hl7.fhir.r4.core 4.0.1."""
    types = load(shared("conformance/r4-structure.json"))["types"]
    for element in elements(structure):
        base = base_element(types, element["path"].split("."))
        assert base is not None, element["path"]
        assert element.get("min", base["min"]) >= (0 if "sliceName" in element else base["min"])
        assert most(element.get("max", base["max"])) <= most(base["max"]), element["id"]
        allowed = {kind["code"] for kind in base.get("types", [])}
        chosen = {kind["code"] for kind in element.get("type", [])}
        assert "*" in allowed or chosen <= allowed, element["id"]


def most(maximum: str) -> float:
    return float("inf") if maximum == "*" else int(maximum)


def base_element(types: dict[str, Any], steps: list[str]) -> dict[str, Any] | None:
    """The base element at a path that may lead through datatypes."""
    table = {element["path"]: element for element in types[steps[0]]["elements"]}
    if types[steps[0]].get("base"):
        for inherited in types[types[steps[0]]["base"]]["elements"]:
            table.setdefault(".".join([steps[0], *inherited["path"].split(".")[1:]]), inherited)
    for length in range(len(steps), 0, -1):
        found = table.get(".".join(steps[:length]))
        if found is None:
            continue
        if length == len(steps):
            return found
        for kind in found.get("types", []):
            deeper = base_element(types, [kind["code"], *steps[length:]])
            if deeper is not None:
                return deeper
        return None
    return None
