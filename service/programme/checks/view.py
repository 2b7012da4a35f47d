"""Raw JSON seen through a document model, field by field.

The rules of the trade must be able to speak about a document even when parts of it have the
wrong shape. A view gives every value that is well formed by itself and None for the rest, so a
rule applies where all it needs is there and is silent elsewhere.
"""

from collections.abc import Iterator
from functools import cache
from types import NoneType
from typing import Annotated, Any, get_args

from pydantic import TypeAdapter, ValidationError
from pydantic.fields import FieldInfo

from service.programme.base import Document


@cache
def _fields(model: type[Document]) -> dict[str, FieldInfo]:
    return {field.alias or name: field for name, field in model.model_fields.items()}


@cache
def _attributes(model: type[Document]) -> dict[str, str]:
    return {field.alias or name: name for name, field in model.model_fields.items()}


@cache
def _adapter(model: type[Document], name: str) -> TypeAdapter[Any]:
    field = _fields(model)[name]
    kind: Any = field.annotation
    if field.metadata:
        kind = Annotated[kind, *field.metadata]
    return TypeAdapter(kind)


@cache
def _document_in(model: type[Document], name: str) -> type[Document] | None:
    """The model of the document, or of each document, that a field holds."""
    annotation = _fields(model)[name].annotation
    candidates = (annotation, *get_args(annotation))
    found = (kind for kind in candidates if isinstance(kind, type) and issubclass(kind, Document))
    return next(found, None)


@cache
def _is_list(model: type[Document], name: str) -> bool:
    annotation = _fields(model)[name].annotation
    return NoneType not in get_args(annotation) and Ellipsis in get_args(annotation)


@cache
def values_of(model: type[Document]) -> tuple[tuple[str, frozenset[type]], ...]:
    """The fields of a model that hold no document, and the types that each may hold."""
    return tuple(
        (name, frozenset(_types_in(field.annotation)))
        for name, field in _fields(model).items()
        if _document_in(model, name) is None
    )


def _types_in(annotation: Any) -> Iterator[type]:
    if isinstance(annotation, type):
        yield annotation
    for part in get_args(annotation):
        yield from _types_in(part)


@cache
def _holders(model: type[Document]) -> tuple[tuple[str, bool], ...]:
    """The fields that hold documents, and whether they list them."""
    names = [name for name in _fields(model) if _document_in(model, name) is not None]
    return tuple((name, _is_list(model, name)) for name in names)


class View:
    """One document, or what stands in its place. Names are those of the JSON.

    Many rules ask for the same: what was read once is kept.
    """

    @classmethod
    def of(cls, document: Document) -> "View":
        """One that its model has read already."""
        return cls(type(document), document.to_json(), type(document).__name__, document)

    def __init__(
        self, model: type[Document], raw: Any, path: str, document: Document | None = None
    ) -> None:
        self.model = model
        self.present = isinstance(raw, dict)
        self.raw: dict[str, Any] = raw if isinstance(raw, dict) else {}
        self.path = path
        self._document = document
        self._values: dict[str, Any] = {}
        self._part: dict[str, View] = {}
        self._parts: dict[str, list[View]] = {}

    def at(self, name: str) -> str:
        """The path of a field."""
        return f"{self.path}.{name}"

    def has(self, name: str) -> bool:
        """Whether the field is there, well formed or not."""
        return name in _fields(self.model) and self.raw.get(name) not in (None, [], {})

    def value(self, name: str) -> Any:
        """The field's value as the model reads it; None where it is absent or ill formed."""
        if self.raw.get(name) is None:
            return None
        if name not in self._values:
            self._values[name] = self._read(name)
        return self._values[name]

    def _read(self, name: str) -> Any:
        if self._document is not None:
            return self._known(name)
        try:
            return _adapter(self.model, name).validate_python(self.raw[name], by_name=False)
        except ValidationError:
            return None

    def _known(self, name: str) -> Any:
        """The same of a document that was read already; None where none was."""
        document = self._document
        return None if document is None else getattr(document, _attributes(self.model)[name])

    def part(self, name: str) -> "View":
        """The document that the field holds; an empty one where it is absent."""
        if name not in self._part:
            model = _document_in(self.model, name)
            if model is None:
                raise KeyError(name)
            self._part[name] = View(model, self.raw.get(name), self.at(name), self._known(name))
        return self._part[name]

    def parts(self, name: str) -> list["View"]:
        """The documents that the field lists."""
        if name not in self._parts:
            model = _document_in(self.model, name)
            if model is None:
                raise KeyError(name)
            raw = self.raw.get(name)
            items = raw if isinstance(raw, list | tuple) else ()
            documents = self._known(name) or [None] * len(items)
            self._parts[name] = [
                View(model, item, f"{self.at(name)}[{at}]", document)
                for at, (item, document) in enumerate(zip(items, documents, strict=True))
            ]
        return self._parts[name]

    def everything(self) -> Iterator["View"]:
        """This document and every document inside it."""
        yield self
        for name, lists in _holders(self.model):
            if self.has(name):
                for part in self.parts(name) if lists else (self.part(name),):
                    yield from part.everything()

    def values(self) -> Iterator[tuple[str, Any]]:
        """Name and value of each well-formed field that holds no document."""
        for name, _ in values_of(self.model):
            value = self.value(name)
            if value is not None:
                yield name, value
