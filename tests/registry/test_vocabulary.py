"""The rules know every technique that can be prescribed."""

from registry_children import RULES

from service.programme.catalogue import TECHNIQUES
from service.registry.columns import CodeSet


def test_every_technique_of_the_catalogue_has_a_family() -> None:
    (techniques,) = (column for column in RULES.column if isinstance(column, CodeSet))
    assert set(techniques.values) == set(TECHNIQUES)
