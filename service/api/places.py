"""Which template a path below /fhir belongs to: one look-up by its shape, whatever their number.

A template is written like ``/{type}/{id}/_history/{version}``; a part ``${operation}`` stands for
one that begins with a dollar sign, and its name is what follows.
"""

from collections.abc import Iterable, Mapping

PREFIX = "/fhir"
TEMPLATE = "airway.template"
"""Where the scope of a request has the template of its path, for the layers around."""

_Parts = tuple[str, ...]


class Places:
    """Templates of paths, ready to be looked up."""

    def __init__(self, templates: Iterable[str]) -> None:
        by_parts = {_parts_of(template): template for template in templates}
        self._words = frozenset(
            part for parts in by_parts for part in parts if not part.startswith(("{", "$"))
        )
        self._by_shape = {
            tuple(part if part in self._words else part[0] for part in parts): template
            for parts, template in by_parts.items()
        }
        self._names = {
            template: [
                (at, part.strip("${}"))
                for at, part in enumerate(parts)
                if part.startswith(("{", "$"))
            ]
            for parts, template in by_parts.items()
        }

    def find(self, path: str) -> tuple[str, Mapping[str, str]] | None:
        """The template of ``path`` and the values of its parts; ``None`` where nothing is."""
        parts = _parts_of(path.removeprefix(PREFIX))
        words = self._words
        shape = tuple([part if part in words else _kind(part) for part in parts])
        template = self._by_shape.get(shape)
        if template is None:
            return None
        values = {name: parts[at] for at, name in self._names[template]}
        if "operation" in values:
            values["operation"] = values["operation"].removeprefix("$")
        return template, values


def _kind(part: str) -> str:
    return "$" if part[:1] == "$" else part and "{"


def _parts_of(path: str) -> _Parts:
    return tuple(path.split("/")[1:])
