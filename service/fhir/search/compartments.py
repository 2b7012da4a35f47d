"""Compartments: what belongs to a patient, a device or another (R4 compartmentdefinition.html)."""

from service.fhir.r4 import tables
from service.fhir.search.terms import AnyOf, Condition, Criterion, TokenValue


def compartment(name: str, id_: str, type_: str) -> Criterion | None:
    """What a resource of ``type_`` meets when it is in the compartment of ``name``/``id_``.

    ``None`` for a type that is in none of these.
    """
    parameters = tables.compartments().get(name, {}).get(type_)
    if parameters is None:
        return None
    ways = [_way(one, name, id_) for one in parameters]
    return ways[0] if len(ways) == 1 else AnyOf(tuple(ways))


def _way(parameter: str, name: str, id_: str) -> Condition:
    if parameter == _ITSELF:
        return Condition("_id", "token", (TokenValue(None, id_),))
    return Condition.refers_to(parameter, name, id_)


_ITSELF = "{def}"
"""Stands for the resource that the compartment is named after."""
