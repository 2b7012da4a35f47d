"""The release of a half-year: made on the first request, kept, and given again byte for byte."""

from collections.abc import Callable, Mapping
from datetime import datetime
from functools import cache

from service.record import Record
from service.registry.anonymise import anonymise
from service.registry.collect import children
from service.registry.conditions import load_condition_groups
from service.registry.consent import Terms
from service.registry.half_year import HalfYear
from service.registry.publish import Release, publish
from service.registry.rules import Rules, load_rules
from service.resources import mappings_dir

_STANDARD_TERMS = Terms()


def release(
    record: Record,
    half_year: HalfYear,
    clock: Callable[[], datetime],
    *,
    terms: Terms = _STANDARD_TERMS,
) -> Release:
    """The adherence of consented children in a half-year, k-anonymised.

    The first request makes it from what is known then and keeps it; every later one gets the same
    bytes, whatever has changed since. Two requests at once get the same release too.

    Raises ``NotReleasable``, and nothing is written, while the half-year is not over or where the
    policy cannot hold; ``Busy`` when the store could not be written in time.
    """
    name = f"adherence/{half_year}"
    kept = record.release(name)
    if kept is None:
        kept = record.keep_release(name, _made(record, half_year, clock(), terms).to_bytes())
    return Release.from_bytes(kept.body)


@cache
def release_rules() -> Rules:
    """The rules that ship with the software."""
    return load_rules(mappings_dir() / "registry" / "release.toml")


@cache
def _condition_groups() -> Mapping[str, str]:
    return load_condition_groups(mappings_dir() / "registry" / "condition-groups.toml")


def _made(record: Record, half_year: HalfYear, at: datetime, terms: Terms) -> Release:
    half_year.check_over(at)
    found = children(record, half_year, at, terms, _condition_groups())
    rules = release_rules()
    result = anonymise((child.fields() for child in found), rules)
    return publish(result, rules, half_year, at)
