"""From the rows of a table to the tree that applies them."""

from collections import Counter
from collections.abc import Mapping
from copy import deepcopy
from dataclasses import dataclass, replace
from itertools import groupby
from typing import Any

from service.fhir.json import JsonObject
from service.mapping.conceptmaps import Translation
from service.mapping.converters import Context, Converter, converter
from service.mapping.errors import TableError
from service.mapping.path import Step, parse_path
from service.mapping.rows import Row
from service.mapping.table import Each, Group, Leaf


class Table:
    """A compiled table: one part of a document and its resource (or datatype)."""

    def __init__(self, resource: str, group: Group) -> None:
        self.resource = resource
        self.group = group

    def read(self, resource: JsonObject, context: Context) -> JsonObject:
        """The document part that ``resource`` holds."""
        document: JsonObject = self.group.read(resource, context)
        return document

    def write(self, resource: JsonObject, document: JsonObject, context: Context) -> JsonObject:
        """``resource``, changed in place, with what the document part says."""
        resource["resourceType"] = self.resource
        self.group.write(resource, document, context)
        return resource

    def with_status(self, resource: JsonObject, status: str) -> JsonObject:
        """A copy of ``resource`` that has the status which goes with this status of the plan."""
        changed = deepcopy(resource)
        document = {"status": status}
        for node in self.group.nodes:
            if node.names == ("status",):
                node.write(changed, document, Context(document))
        return changed


@dataclass(frozen=True, slots=True)
class _Line:
    """A row, its two paths taken apart; ``names`` and ``steps`` get shorter on the way down."""

    row: Row
    names: tuple[str, ...]
    steps: tuple[Step, ...]

    def list_names(self) -> tuple[str, ...]:
        """The names up to the first field that holds several; none when there is no such field."""
        ends = [at for at, name in enumerate(self.names, start=1) if name.endswith("[]")]
        return self.names[: ends[0]] if ends else ()


@dataclass(frozen=True, slots=True)
class Compiler:
    """Knows the concept maps, and the tables compiled before (for rows that hand over)."""

    translations: Mapping[str, Translation]
    compiled: Mapping[str, Table]

    def table(self, rows: list[Row], model: str) -> Table:
        """The table of ``rows``; ``model`` is the name that its own document paths begin with.

        Raises TableError at the first row that cannot be compiled.
        """
        _refuse_repeated(rows)
        resources = {row.element.partition(".")[0] for row in rows if row.is_applied}
        if len(resources) != 1:
            raise TableError(f"{rows[0].place}: a table is about one resource, not {resources}")
        lines = [self._line(row) for row in rows if row.is_applied]
        self._refuse_ambiguous([row for row in rows if row.is_applied and row.root == model])
        return Table(resources.pop(), self._group(lines, model))

    def _refuse_ambiguous(self, own: list[Row]) -> None:
        """Each field comes back from one element; other rows of it are written only."""
        read = Counter(row.field for row in own if self._converter(row).read)
        for row in own:
            if read[row.field] != 1:
                raise TableError(f"{row.place}: {row.field} is read by {read[row.field]} rows")

    def _line(self, row: Row) -> _Line:
        try:
            steps = parse_path(row.element, self.translations)
        except ValueError as error:
            raise TableError(f"{row.place}: {error}") from None
        return _Line(row, tuple(row.field.split(".")) if row.field else (), steps)

    def _group(self, lines: list[_Line], model: str) -> Group:
        nodes: list[Leaf | Each] = []
        for names, members in groupby(lines, key=_Line.list_names):
            if names:
                nodes.append(self._each(names, list(members), model))
            else:
                nodes += [self._leaf(line, model) for line in members]
        lists = [(node.names, node.steps) for node in nodes if isinstance(node, Each)]
        if len(lists) != len({names for names, _ in lists}):
            raise TableError(f"{lines[0].row.place}: the rows of one list stand together")
        return Group(tuple(nodes))

    def _each(self, names: tuple[str, ...], lines: list[_Line], model: str) -> Each:
        at = _position_of_list(lines[0])
        head = lines[0].row.element.split(".")[: _depth(lines[0], at)]
        for line in lines:
            if line.row.element.split(".")[: len(head)] != head:
                raise TableError(f"{line.row.place}: another list than {'.'.join(head)}")
        rest = [
            replace(line, names=line.names[len(names) :], steps=line.steps[at + 1 :])
            for line in lines
        ]
        steps = lines[0].steps
        own_names = (*names[:-1], names[-1].removesuffix("[]"))
        return Each(own_names, steps[:at], steps[at], self._group(rest, model))

    def _leaf(self, line: _Line, model: str) -> Leaf:
        if any(step.each for step in line.steps):
            raise TableError(f"{line.row.place}: [] in the element but not in the document")
        is_copied = line.row.root not in ("", model)
        return Leaf(line.names, line.steps, self._converter(line.row), is_copied)

    def _converter(self, row: Row) -> Converter:
        if row.converter == "table":
            return _hand_over(self.compiled[row.argument].group)
        try:
            return converter(row.converter, row.argument, self.translations)
        except ValueError as error:
            raise TableError(f"{row.place}: {error}") from None


def _hand_over(group: Group) -> Converter:
    """Another table applied to the same element."""

    def write(document: JsonObject | None, old: JsonObject | None, context: Context) -> Any:
        return group.write(old or {}, document, context) or None

    return Converter(write, lambda element, context: group.read(element, context) or None)


def _position_of_list(line: _Line) -> int:
    for at, step in enumerate(line.steps):
        if step.each:
            return at
    raise TableError(f"{line.row.place}: [] in the document but not in the element")


def _depth(line: _Line, at: int) -> int:
    """How many parts of the full element path lead to the step at ``at`` of what is left."""
    return len(line.row.element.split(".")) - len(line.steps) + at + 1


def _refuse_repeated(rows: list[Row]) -> None:
    seen: set[str] = set()
    for row in rows:
        if row.is_applied and row.element in seen:
            raise TableError(f"{row.place}: {row.element} has two rows")
        seen.add(row.element)
