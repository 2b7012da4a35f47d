"""What surrounds an evaluation: the resource, the variables, and the services it may ask."""

from collections.abc import Callable, Mapping
from datetime import datetime
from typing import Any, NamedTuple

from service.fhir.fhirpath.items import Collection, Item, Node
from service.fhir.fhirpath.model import TypeModel, Types, types_of
from service.fhir.fhirpath.navigation import actual_type
from service.fhir.json import JsonObject

Resolver = Callable[[str], JsonObject | None]


class Services(NamedTuple):
    """What an expression may ask for and cannot find in the data. Each may be absent.

    ``resolve`` gives the resource that a reference or canonical names, None where it has none.
    ``member_of`` says whether a code, Coding or CodeableConcept is in the value set of a canonical,
    ``conforms_to`` whether an element conforms to a profile; both answer None where they cannot
    tell. ``now`` is the clock of ``now()``, ``today()`` and ``timeOfDay()``: aware, and asked once
    per scope. A function whose service is absent raises FhirPathError.
    """

    resolve: Resolver | None = None
    member_of: Callable[[Item, str], bool | None] | None = None
    conforms_to: Callable[[Item, str], bool | None] | None = None
    now: Callable[[], datetime] | None = None


NO_SERVICES = Services()


class Scope:
    """The surroundings of one resource; serves any number of evaluations, one at a time.

    ``resource`` is ``%resource``; ``root`` is ``%rootResource``, the container where the resource
    is contained. ``environment`` holds further variables: JSON values or Python values. The
    resources may not change while the scope is in use: what depends on them alone is worked out
    once (``kept``).
    """

    __slots__ = (
        "context", "index", "kept", "moment", "resource", "root", "services", "total", "types",
        "variables",
    )  # fmt: skip

    def __init__(
        self,
        model: TypeModel,
        resource: JsonObject | None,
        root: JsonObject | None = None,
        *,
        environment: Mapping[str, Any] | None = None,
        services: Services = NO_SERVICES,
    ) -> None:
        self.types: Types = types_of(model)
        self.resource: JsonObject | None = resource
        self.root: JsonObject | None = resource if root is None else root
        self.services = services
        self.variables = environment or {}
        self.context: Collection = []
        self.index: Collection = []
        self.total: Collection = []
        self.moment: datetime | None = None
        self.kept: dict[object, Any] = {}

    def resource_node(self, resource: JsonObject | None) -> Collection:
        """A resource as a collection of one, None as an empty one."""
        if resource is None:
            return []
        return [Node(resource, actual_type("Resource", resource, self.types))]
