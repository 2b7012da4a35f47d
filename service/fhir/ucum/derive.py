"""Derive the committed list of UCUM's codes: prefixes, and units with whether they take prefixes.

    python -m service.fhir.ucum.derive WHEEL            write units.json beside this file
    python -m service.fhir.ucum.derive --check WHEEL    fail unless it is what would be written

WHEEL is ucumvert 0.3.2 as PyPI has it; it carries the table that UCUM publishes (ucum-essence.xml,
version 2.2). Only codes are taken over: no names, values or symbols.
"""

import argparse
import json
import sys
import zipfile
from pathlib import Path
from xml.etree import ElementTree

_TABLE = "ucumvert/vendor/ucum-essence.xml"
_SPACE = "{http://unitsofmeasure.org/ucum-essence}"


def table(wheel: Path) -> str:
    """The text of the list."""
    with zipfile.ZipFile(wheel) as archive:
        root = ElementTree.fromstring(archive.read(_TABLE))  # noqa: S314  # a pinned package
    prefixes = sorted(row.attrib["Code"] for row in root.iter(f"{_SPACE}prefix"))
    metric = {row.attrib["Code"] for row in root.iter(f"{_SPACE}base-unit")}
    plain: set[str] = set()
    for row in root.iter(f"{_SPACE}unit"):
        (metric if row.attrib["isMetric"] == "yes" else plain).add(row.attrib["Code"])
    rows = {"prefixes": prefixes, "metric": sorted(metric), "plain": sorted(plain)}
    return json.dumps({"source": f"UCUM {root.attrib['version']}", **rows}, indent=1) + "\n"


def main(arguments: list[str]) -> int:
    """Write or compare the list; 1 where the committed one differs."""
    parser = argparse.ArgumentParser(description="The codes of UCUM from its published table.")
    parser.add_argument("wheel", type=Path)
    parser.add_argument("--check", action="store_true", help="compare, write nothing")
    options = parser.parse_args(arguments)
    file, text = Path(__file__).with_name("units.json"), table(options.wheel)
    if options.check:
        same = file.is_file() and file.read_text("utf-8") == text
        sys.stdout.write(f"units.json: {'as derived' if same else 'differs'}\n")
        return 0 if same else 1
    file.write_text(text, "utf-8")
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
