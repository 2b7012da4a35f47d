"""Problems of shape: fields that are unknown, missing, or of the wrong kind."""

import re
from collections.abc import Mapping
from typing import Any, TypeVar

from pydantic import ValidationError

from service.programme.base import Document
from service.programme.checks.problems import Problem, refused

ModelT = TypeVar("ModelT", bound=Document)

_NAME = re.compile(r"[A-Za-z][A-Za-z0-9_]*", re.ASCII)

_BY_TYPE: Mapping[str, tuple[str, str]] = {
    "missing": ("missing", "a value"),
    "too_short": ("missing", "at least one entry"),
    "extra_forbidden": ("unknown-field", "no field of this name"),
    "literal_error": ("unknown-code", ""),
    "greater_than_equal": ("impossible-number", ""),
    "model_type": ("wrong-shape", "an object"),
    "model_attributes_type": ("wrong-shape", "an object"),
    "tuple_type": ("wrong-shape", "a list"),
    "string_pattern_mismatch": ("wrong-value", "text with single spaces, none at its ends"),
    "bool_type": ("wrong-value", "true or false"),
}
"""Kind of error of the model library -> key, and what was expected unless the error says it."""


def read(model: type[ModelT], raw: Any) -> tuple[ModelT | None, list[Problem]]:
    """The document as the model reads it, or every problem of its shape."""
    try:
        return model.model_validate(raw, by_alias=True, by_name=False), []
    except ValidationError as error:
        found = error.errors(include_url=False)
        return None, [_problem(model.__name__, item) for item in found if not _echo(item)]


def _echo(error: Any) -> bool:
    """A list is also called too short when every entry in it is faulty; the entries say it."""
    if error["type"] != "too_short":
        return False
    return bool(len(error["input"]) >= error["ctx"]["min_length"])


def _problem(root: str, error: Any) -> Problem:
    key, expected = _BY_TYPE.get(error["type"], ("wrong-value", ""))
    found = None if error["type"] in ("missing", "too_short") else error["input"]
    return refused(_path(root, error["loc"]), key, found, expected or _expected(error))


def _expected(error: Any) -> str:
    if error["type"] == "literal_error":
        return f"one of {error['ctx']['expected']}"
    if error["type"] == "greater_than_equal":
        return f"{error['ctx']['ge']} or more"
    return str(error["ctx"]["error"] if error["type"] == "value_error" else error["msg"])


def _path(root: str, location: tuple[int | str, ...]) -> str:
    path = root
    for step in location:
        if isinstance(step, int):
            path += f"[{step}]"
        elif _NAME.fullmatch(step):
            path += f".{step}"
    return path
