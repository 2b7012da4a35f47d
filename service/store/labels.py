"""Which labels are in use: profiles, tags and security labels, out of the search index."""

from typing import Any

from sqlalchemy import Select, Table, literal, select, union_all

from service.store import tables

TAGS = ("_security", "_tag")
PROFILE = "_profile"


def in_use(type_: str | None) -> Select[Any]:
    """Parameter, system (empty for profiles) and code or URL of each label, once and in order."""
    token, uri = tables.token.c, tables.uri.c
    tags = select(token.parameter, token.system.label("system"), token.code.label("code")).where(
        token.parameter.in_(TAGS), *_of(tables.token, type_)
    )
    profiles = select(uri.parameter, literal("").label("system"), uri.uri.label("code")).where(
        uri.parameter == PROFILE, *_of(tables.uri, type_)
    )
    every = union_all(tags, profiles).subquery()
    asked = select(every.c.parameter, every.c.system, every.c.code).distinct()
    return asked.order_by(every.c.parameter, every.c.system, every.c.code)


def _of(table: Table, type_: str | None) -> list[Any]:
    return [] if type_ is None else [table.c.type == type_]
