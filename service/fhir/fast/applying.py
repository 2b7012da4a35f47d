"""Which profiles apply to a resource by rule: the rules of one type, asked together."""

from collections.abc import Sequence
from typing import Any

from service.fhir.json import JsonObject
from service.fhir.validation.rules import ProfileRule

Steps = tuple[str, ...]


class Applying:
    """The rules for one resource type, by the path they look at."""

    def __init__(self, resource_type: str, rules: Sequence[ProfileRule]) -> None:
        self.resource_type = resource_type
        self.profiles: list[str] = []
        self._coded: dict[Steps, dict[tuple[str, str | None], list[str]]] = {}
        self._others: list[ProfileRule] = []
        for rule in rules:
            if rule.resource_type == resource_type:
                self._take(rule)

    def _take(self, rule: ProfileRule) -> None:
        self.profiles.append(rule.profile)
        if rule.system is None or rule.starts_with is not None:
            self._others.append(rule)
        else:
            at_path = self._coded.setdefault(tuple(rule.path.split(".")), {})
            at_path.setdefault((rule.system, rule.code), []).append(rule.profile)

    def to(self, resource: JsonObject) -> list[str]:
        """The profiles that apply, each once.

        Raises AttributeError or TypeError where the values at a path are no objects.
        """
        found: list[str] = []
        for steps, profiles in self._coded.items():
            for value in _values(resource, steps):
                system = value.get("system")
                for key in ((system, value.get("code")), (system, None)):
                    if key in profiles:
                        found += profiles[key]
        found += (rule.profile for rule in self._others if rule.applies(resource))
        return found if len(found) < 2 else list(dict.fromkeys(found))


def _values(resource: JsonObject, steps: Steps) -> list[Any]:
    layer: list[Any] = [resource]
    for step in steps:
        inner: list[Any] = []
        for owner in layer:
            value = owner.get(step)
            if value.__class__ is list:
                inner += value
            elif value is not None:
                inner.append(value)
        layer = inner
    return layer
