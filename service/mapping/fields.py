"""Which fields a document has: a walk over its model, so that none is forgotten by the tables."""

from collections.abc import Iterator
from dataclasses import dataclass
from types import UnionType
from typing import Annotated, Any, Union, get_args, get_origin

from service.programme.base import Document


@dataclass(frozen=True, slots=True)
class Field:
    """One field: its path below the document (``dose.phase[]``) and its model, if it has one."""

    path: str
    model: type[Document] | None


def fields_of(model: type[Document]) -> Iterator[Field]:
    """The direct fields of ``model``; a field that holds several ends in ``[]``."""
    for name, info in model.model_fields.items():
        inner, many = _content(info.annotation)
        is_model = isinstance(inner, type) and issubclass(inner, Document)
        yield Field((info.alias or name) + ("[]" if many else ""), inner if is_model else None)


def _content(annotation: Any) -> tuple[Any, bool]:
    """What a field holds, without None and notes on it; and whether it holds several."""
    origin = get_origin(annotation)
    if origin is Annotated:
        return _content(get_args(annotation)[0])
    if origin in (Union, UnionType):
        kinds = [kind for kind in get_args(annotation) if kind is not type(None)]
        return _content(kinds[0]) if len(kinds) == 1 else (object, False)
    if origin is tuple:
        return _content(get_args(annotation)[0])[0], True
    return annotation, False
