"""Time zones by IANA name, from the zone data that is installed with the service.

The host's own zone files are never read: the same plan must fall on the same instants on every
machine, and an answer has to name the edition of the zone data that it used.
"""

from collections.abc import Callable
from datetime import tzinfo
from functools import cache
from importlib import resources
from zoneinfo import ZoneInfo

import tzdata  # type: ignore[import-untyped]

ZoneLookup = Callable[[str], tzinfo]

ZONE_DATA_VERSION: str = tzdata.IANA_VERSION
"""Edition of the IANA zone data in use, for example ``2025b``."""


@cache
def zone_names() -> frozenset[str]:
    """Every IANA zone name that can be used."""
    listed = resources.files("tzdata").joinpath("zones").read_text(encoding="ascii")
    return frozenset(listed.split())


@cache
def zone(name: str) -> tzinfo:
    """The zone of that IANA name; raises ``KeyError`` for a name that is none."""
    if name not in zone_names():
        raise KeyError(name)
    file = resources.files("tzdata").joinpath("zoneinfo", *name.split("/"))
    with file.open("rb") as content:
        return ZoneInfo.from_file(content, key=name)
