"""Facts of StructureDefinitions: the element table of types, and reduced profiles.

Only facts are kept: paths, bounds, types, targets, bindings, fixed values, constraints. No
descriptive text is.
"""

import re
from collections.abc import Iterator
from typing import Any

from service.fhir.r4.errata import ELEMENT_TYPES, corrected

Json = dict[str, Any]

SD = "http://hl7.org/fhir/StructureDefinition/"
_FHIRPATH = "http://hl7.org/fhirpath/System."
_REGEX = f"{SD}regex"
_FHIR_TYPE = f"{SD}structuredefinition-fhir-type"
_MAX_SET = f"{SD}elementdefinition-maxValueSet"
_BEST_PRACTICE = f"{SD}elementdefinition-bestpractice"
_VALUED = re.compile(r"(fixed|pattern|minValue|maxValue)[A-Z]")


def short(url: str) -> str:
    """The name of a type or profile of the core; other canonicals stay whole."""
    return url.removeprefix(SD)


def _extension(element: Json, url: str) -> Any:
    for extension in element.get("extension", []):
        if extension["url"] == url:
            return next(v for k, v in extension.items() if k.startswith("value"))
    return None


def _type(entry: Json) -> Json:
    code = _extension(entry, _FHIR_TYPE) or entry.get("code", "")
    if code.startswith(_FHIRPATH):
        code = f"System.{code.removeprefix(_FHIRPATH)}"
    fact: Json = {"code": code}
    for name, key in (("targetProfile", "targets"), ("profile", "profiles")):
        if entry.get(name):
            fact[key] = [short(url) for url in entry[name]]
    for key in ("aggregation", "versioning"):
        if entry.get(key):
            fact[key] = entry[key]
    if regex := _extension(entry, _REGEX):
        fact["regex"] = regex
    return fact


def _types(element: Json) -> list[Json]:
    types = [_type(entry) for entry in element.get("type", [])]
    declared = element.get("base", {}).get("path", element["path"])
    if declared in ELEMENT_TYPES:
        types[0]["code"] = ELEMENT_TYPES[declared]
    return types


def _binding(element: Json) -> Json:
    binding = element["binding"]
    fact: Json = {"strength": binding["strength"]}
    if "valueSet" in binding:
        fact["valueSet"] = binding["valueSet"].partition("|")[0]
    if maximum := _extension(binding, _MAX_SET):
        fact["max"] = maximum.partition("|")[0]
    return fact


def _constraint(constraint: Json) -> Json:
    key, expression = constraint["key"], constraint.get("expression", "")
    fact = {
        "key": key, "severity": constraint["severity"], "expression": corrected(key, expression),
    }  # fmt: skip
    if _extension(constraint, _BEST_PRACTICE):
        fact["bestPractice"] = True
    return fact


def _element(element: Json, invariants: dict[str, Json]) -> Json:
    fact: Json = {
        "path": element["path"], "min": element.get("min", 0), "max": element.get("max", "*"),
    }  # fmt: skip
    if "type" in element:
        fact["types"] = _types(element)
    if "contentReference" in element:
        fact["contentReference"] = element["contentReference"].partition("#")[2]
    if "binding" in element:
        fact["binding"] = _binding(element)
    fact |= {flag: True for flag in ("isModifier", "isSummary") if element.get(flag)}
    fact |= {key: value for key, value in element.items() if _VALUED.match(key)}
    if "maxLength" in element:
        fact["maxLength"] = element["maxLength"]
    keys = [_listed(c, element["path"], invariants) for c in element.get("constraint", [])]
    if keys:
        fact["invariants"] = keys
    return fact


def _listed(constraint: Json, path: str, invariants: dict[str, Json]) -> str:
    """The name a constraint is listed under: its key, with the path where keys are used twice."""
    fact = _constraint(constraint)
    for name in (fact["key"], f"{fact['key']}@{path}"):
        if invariants.setdefault(name, fact) == fact:
            return str(name)
    raise ValueError(f"{path} states {fact['key']} twice")


def types_table(structures: list[Json]) -> Json:
    """``{"invariants": {key: fact}, "types": {name: {kind, abstract, base, elements}}}``."""
    invariants: dict[str, Json] = {}
    types: dict[str, Json] = {}
    for structure in sorted(structures, key=lambda s: (s["kind"] != "resource", s["name"])):
        if structure["kind"] == "logical" or structure.get("derivation") == "constraint":
            continue
        entry: Json = {"kind": structure["kind"], "abstract": structure["abstract"]}
        if "baseDefinition" in structure:
            entry["base"] = short(structure["baseDefinition"])
        elements = structure["snapshot"]["element"]
        entry["elements"] = [_element(element, invariants) for element in elements]
        types[structure["type"]] = entry
    return {"invariants": dict(sorted(invariants.items())), "types": types}


def profiles_table(structures: list[Json]) -> dict[str, Json]:
    """Reduced StructureDefinitions of the core's profiles and extensions, by canonical."""
    profiles = {}
    for structure in structures:
        if structure.get("derivation") != "constraint" or structure["kind"] == "logical":
            continue
        kept = ("url", "version", "kind", "type", "derivation", "baseDefinition",
                "contextInvariant")  # fmt: skip
        fact: Json = {"resourceType": "StructureDefinition"}
        fact |= {key: structure[key] for key in kept if key in structure}
        fact["context"] = [
            {"type": c["type"], "expression": c["expression"]} for c in structure.get("context", [])
        ]
        elements = structure["differential"]["element"]
        fact["differential"] = {"element": list(_reduced(elements))}
        profiles[structure["url"]] = fact
    return dict(sorted(profiles.items()))


def _reduced(elements: list[Json]) -> Iterator[Json]:
    kept = ("id", "path", "sliceName", "min", "max", "contentReference", "maxLength",
            "isModifier")  # fmt: skip
    for element in elements:
        fact = {key: element[key] for key in kept if key in element}
        if "slicing" in element:
            slicing = element["slicing"]
            fact["slicing"] = {k: v for k, v in slicing.items() if k != "description"}
        if "type" in element:
            types = element["type"]
            wanted = ("code", "profile", "targetProfile", "aggregation")
            fact["type"] = [{k: t[k] for k in wanted if k in t} for t in types]
        if "valueSet" in element.get("binding", {}):
            binding = element["binding"]
            fact["binding"] = {k: binding[k] for k in ("strength", "valueSet")}
        fact |= {key: value for key, value in element.items() if _VALUED.match(key)}
        constraints = [_constraint(c) for c in element.get("constraint", [])]
        if constraints:
            fact["constraint"] = constraints
        yield fact
