"""Whether a table speaks of every field of its document, and of none that does not exist."""

from collections.abc import Iterator, Mapping

from service.mapping.fields import fields_of
from service.mapping.rows import Row
from service.programme.base import Document


def coverage_faults(
    file: str,
    model: type[Document],
    rows: list[Row],
    parts: Mapping[str, type[Document]],
    whole: type[Document],
    in_code: frozenset[str],
) -> Iterator[str]:
    """Sentences about what is missing or unknown in the table ``file`` of ``model``.

    ``parts`` are the models of the tables that a row may hand over to; ``whole`` is the document
    whose fields may be copied into its parts; ``in_code`` the fields that code takes care of.
    """
    own = [row for row in rows if row.root == model.__name__]
    stated = {row.field: row for row in own}
    fields = dict(_fields(model, stated))
    for path, field_model in fields.items():
        if path not in stated:
            yield f"{file}: {model.__name__}.{path} has no row"
        elif field_model is not None:
            yield from _hand_over_faults(stated[path], field_model, parts)
    for row in rows:
        yield from _row_faults(row, model, fields, whole, in_code)


def _fields(
    model: type[Document], stated: Mapping[str, Row], above: str = ""
) -> Iterator[tuple[str, type[Document] | None]]:
    """Every field that needs a row: single values, and parts that a row hands over whole."""
    for field in fields_of(model):
        path = above + field.path
        if field.model is None or path in stated:
            yield path, field.model
        else:
            yield from _fields(field.model, stated, f"{path}.")


def _hand_over_faults(
    row: Row, model: type[Document], parts: Mapping[str, type[Document]]
) -> Iterator[str]:
    if row.converter == "link":
        return
    if row.converter not in ("table", "resource"):
        yield f"{row.place}: {row.field} has parts; its row must name a table or a resource"
    elif parts.get(row.argument) is not model:
        yield f"{row.place}: {row.argument!r} is not the table of {model.__name__}"


def _row_faults(
    row: Row,
    model: type[Document],
    fields: Mapping[str, type[Document] | None],
    whole: type[Document],
    in_code: frozenset[str],
) -> Iterator[str]:
    document = f"{row.root}.{row.field}"
    known = {model.__name__: set(fields)}
    known.setdefault(whole.__name__, {field.path for field in fields_of(whole)})
    if row.root and row.root not in known:
        yield f"{row.place}: {document} belongs to another table"
    elif row.root and row.field not in known[row.root]:
        yield f"{row.place}: {document} is not a field"
    if (row.root == "") != row.converter.startswith("fixed"):
        yield f"{row.place}: a fixed value, and nothing else, has - for its document path"
    if (row.converter == "link") != (document in in_code):
        yield f"{row.place}: {document} is {'not ' if row.converter == 'link' else ''}set by code"
