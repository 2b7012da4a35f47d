"""FHIR packages, after the FHIR NPM package specification."""

import json
import tarfile
from decimal import Decimal
from pathlib import Path

import pytest

from service.fhir.definitions import Definitions
from service.fhir.package import write_package

CODES = {
    "resourceType": "CodeSystem",
    "id": "shells",
    "url": "https://example.org/CodeSystem/shells",
    "version": "1.0.0",
    "status": "active",
    "content": "complete",
    "concept": [{"code": "cowrie"}],
}
EXAMPLE = {"resourceType": "Observation", "id": "one", "valueQuantity": {"value": Decimal("0.10")}}


def packed(path: Path) -> Path:
    return write_package(
        path,
        name="example.shells",
        version="1.0.0",
        canonical="https://example.org",
        resources=[EXAMPLE, CODES],
        dependencies={"hl7.fhir.r4.core": "4.0.1"},
        description="Shells",
        author="Nobody in particular",
    )


def test_holds_manifest_index_and_resources(tmp_path: Path) -> None:
    with tarfile.open(packed(tmp_path / "p.tgz")) as archive:
        content = {m.name: archive.extractfile(m).read() for m in archive}  # type: ignore[union-attr]
    assert set(content) == {
        "package/package.json",
        "package/.index.json",
        "package/CodeSystem-shells.json",
        "package/Observation-one.json",
    }
    manifest = json.loads(content["package/package.json"])
    assert manifest["fhirVersions"] == ["4.0.1"]
    assert manifest["dependencies"] == {"hl7.fhir.r4.core": "4.0.1"}
    line = json.loads(content["package/.index.json"])["files"][0]
    assert (line["filename"], line["url"]) == ("CodeSystem-shells.json", CODES["url"])
    assert b"0.10" in content["package/Observation-one.json"]


def test_the_same_content_gives_the_same_bytes(tmp_path: Path) -> None:
    one, two = packed(tmp_path / "one.tgz"), packed(tmp_path / "two.tgz")
    assert one.read_bytes() == two.read_bytes()


def test_definitions_are_read_back_from_the_package(tmp_path: Path) -> None:
    definitions = Definitions.load(packed(tmp_path / "p.tgz"))
    assert definitions.find("https://example.org/CodeSystem/shells|1.0.0") == CODES


@pytest.mark.parametrize("name", ["Shells", "shells", "example..shells", "../x.y"])
def test_a_name_that_no_registry_takes(tmp_path: Path, name: str) -> None:
    with pytest.raises(ValueError, match="lower case"):
        write_package(tmp_path / "p.tgz", name=name, version="1", canonical="urn:x",
                      resources=[], dependencies={})  # fmt: skip


def test_two_resources_of_one_name(tmp_path: Path) -> None:
    with pytest.raises(ValueError, match=r"CodeSystem-shells\.json"):
        write_package(tmp_path / "p.tgz", name="example.shells", version="1", canonical="urn:x",
                      resources=[CODES, CODES], dependencies={})  # fmt: skip
