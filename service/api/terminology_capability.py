"""GET /fhir/metadata?mode=terminology: what can be asked about codes, from what is loaded."""

from datetime import datetime
from itertools import groupby

from service.api.terminology import EXPANSION_PARAMETERS
from service.fhir.json import JsonObject
from service.fhir.terminology import Terminology


def terminology_statement(terminology: Terminology, base: str, since: datetime) -> JsonObject:
    """The TerminologyCapabilities of the service at ``base``."""
    return {
        "resourceType": "TerminologyCapabilities",
        "status": "active",
        "date": since.isoformat(timespec="seconds"),
        "kind": "instance",
        "software": {"name": "Home airway-clearance programme record"},
        "implementation": {
            "description": "Codes of this service's definitions, of R4 and of UCUM",
            "url": base,
        },
        "codeSystem": _systems(terminology),
        "expansion": {
            "hierarchical": False,
            "paging": True,
            "incomplete": False,
            "parameter": [{"name": name} for name in EXPANSION_PARAMETERS],
        },
        "validateCode": {"translations": False},
        "translation": {"needsMap": True},
    }


def _systems(terminology: Terminology) -> list[JsonObject]:
    told = []
    for url, held in groupby(terminology.systems.known(), key=lambda one: one[0]):
        versions = [{"code": version} for _, version in held if version is not None]
        told.append({"uri": url} | ({"version": versions} if versions else {}))
    return told
