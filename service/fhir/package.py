"""FHIR packages: a ``.tgz`` with ``package/package.json``, ``.index.json`` and the resources.

After the FHIR NPM package specification (R4 fhirVersions 4.0.1). The same content gives the same
bytes: sorted members, no times, no owners.
"""

import gzip
import io
import json
import re
import tarfile
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any

from service.fhir.json import JsonObject, write

FHIR_VERSION = "4.0.1"

_NAME = re.compile(r"[a-z][a-z0-9-]*(\.[a-z0-9-]+)+", re.ASCII)
_INDEXED = ("id", "url", "version", "kind", "type", "supplements", "content")


def write_package(
    target: Path,
    *,
    name: str,
    version: str,
    canonical: str,
    resources: Iterable[JsonObject],
    dependencies: Mapping[str, str],
    description: str = "",
    author: str = "",
) -> Path:
    """Write the package of ``resources`` to the file ``target`` and return it.

    Raises ValueError for a name that is not lower case with dots, or two resources of one type
    and id.
    """
    if not _NAME.fullmatch(name):
        raise ValueError(f"package name {name!r} is not lower case parts with dots between")
    files: dict[str, bytes] = {}
    index: list[dict[str, Any]] = []
    for resource in resources:
        filename = f"{resource['resourceType']}-{resource['id']}.json"
        if filename in files:
            raise ValueError(f"two resources would be {filename}")
        files[filename] = write(resource)
        index.append(_index_line(filename, resource))
    manifest = {
        "name": name,
        "version": version,
        "canonical": canonical,
        "description": description,
        "author": author,
        "type": "fhir.ig",
        "fhirVersions": [FHIR_VERSION],
        "dependencies": dict(sorted(dependencies.items())),
    }
    listing = {"index-version": 1, "files": sorted(index, key=lambda line: line["filename"])}
    files[".index.json"], files["package.json"] = _readable(listing), _readable(manifest)
    target.write_bytes(_archive(files))
    return target


def _index_line(filename: str, resource: JsonObject) -> dict[str, Any]:
    line = {"filename": filename, "resourceType": resource["resourceType"]}
    return line | {key: resource[key] for key in _INDEXED if isinstance(resource.get(key), str)}


def _readable(value: Any) -> bytes:
    return (json.dumps(value, indent=2) + "\n").encode()


def _archive(files: Mapping[str, bytes]) -> bytes:
    packed = io.BytesIO()
    with (
        gzip.GzipFile("", "wb", fileobj=packed, mtime=0) as stream,
        tarfile.open(fileobj=stream, mode="w", format=tarfile.USTAR_FORMAT) as archive,
    ):
        for filename, body in sorted(files.items()):
            member = tarfile.TarInfo(f"package/{filename}")
            member.size, member.mode = len(body), 0o644
            archive.addfile(member, io.BytesIO(body))
    return packed.getvalue()
