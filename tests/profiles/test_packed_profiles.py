"""The FHIR package of our definitions holds all of them and works in place of the folder."""

import json
import tarfile

from profile_files import BASE, DEFINITION_FILES, FAILING, must_fail

from service.fhir.definitions import Definitions
from service.fhir.json import read
from service.fhir.package import write_package
from service.fhir.validation import Validator, profile_rules
from service.resources import profiles_dir


def packed(tmp_path):
    return write_package(
        tmp_path / "profiles.tgz",
        name="example.airway.programmes",
        version="0.1.0",
        canonical=BASE,
        resources=[read(file.read_bytes()) for file in DEFINITION_FILES],
        dependencies={"hl7.fhir.r4.core": "4.0.1"},
    )


def test_holds_every_definition_as_it_is(tmp_path):
    with tarfile.open(packed(tmp_path)) as archive:
        index = json.load(archive.extractfile("package/.index.json"))["files"]
        by_url = {
            line["url"]: json.load(archive.extractfile(f"package/{line['filename']}"))
            for line in index
        }
    originals = [json.loads(file.read_text("utf-8")) for file in DEFINITION_FILES]
    assert by_url == {resource["url"]: resource for resource in originals}


def test_validates_like_the_folder(tmp_path):
    rules = profile_rules(read((profiles_dir() / "rules.json").read_bytes()))
    from_folder = Validator(Definitions.load(profiles_dir()), rules)
    from_package = Validator(Definitions.load(packed(tmp_path)), rules)
    for row in must_fail():
        example = read((FAILING / row["file"]).read_bytes())
        found = from_package.validate(example, [row["profile"]])
        assert found == from_folder.validate(example, [row["profile"]])
        assert found
