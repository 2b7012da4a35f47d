"""Which profiles a resource must meet because of what it is, whatever ``meta.profile`` claims."""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import Any

from service.fhir.json import JsonObject


@dataclass(frozen=True, slots=True)
class ProfileRule:
    """A profile applies to resources of one type that hold a value at a path.

    ``path`` steps through properties and arrays (``category.coding``). The value there must have
    the ``system`` and, where given, ``code`` (of a Coding or Identifier), be text that starts with
    ``starts_with``, or, with none of these, merely be there.
    """

    resource_type: str
    path: str
    profile: str
    system: str | None = None
    code: str | None = None
    starts_with: str | None = None

    @classmethod
    def from_json(cls, row: JsonObject) -> "ProfileRule":
        """A row such as ``{"resourceType", "path", "system", "code", "profile"}``."""
        return cls(
            resource_type=row["resourceType"],
            path=row["path"],
            profile=row["profile"],
            system=row.get("system"),
            code=row.get("code"),
            starts_with=row.get("startsWith"),
        )

    def applies(self, resource: JsonObject) -> bool:
        """Whether the resource is one that the profile is for."""
        if resource.get("resourceType") != self.resource_type:
            return False
        return any(self._fits(value) for value in values_at(resource, self.path.split(".")))

    def _fits(self, value: Any) -> bool:
        if self.starts_with is not None:
            return isinstance(value, str) and value.startswith(self.starts_with)
        if self.system is None:
            return True
        if not isinstance(value, dict) or value.get("system") != self.system:
            return False
        return self.code is None or value.get("code") == self.code


def profile_rules(rows: Iterable[JsonObject]) -> tuple[ProfileRule, ...]:
    """The rules of a table as read from JSON."""
    return tuple(ProfileRule.from_json(row) for row in rows)


def values_at(value: Any, steps: list[str]) -> Iterator[Any]:
    """The values at a path of plain property names, through arrays."""
    if isinstance(value, list):
        for item in value:
            yield from values_at(item, steps)
    elif not steps:
        yield value
    elif isinstance(value, dict) and steps[0] in value:
        yield from values_at(value[steps[0]], steps[1:])
