"""Document models from the JSON that the tables read."""

from typing import TypeVar

from pydantic import ValidationError

from service.fhir.json import JsonObject
from service.mapping.errors import UnmappableError
from service.programme.base import Document, told

Model = TypeVar("Model", bound=Document)


def built(model: type[Model], document: JsonObject) -> Model:
    """``document`` as a model. Raises UnmappableError naming the first place that does not fit."""
    try:
        return model.model_validate(document)
    except ValidationError as error:
        first = error.errors(include_url=False, include_input=False)[0]
        raise UnmappableError(_expression(model.__name__, first["loc"]), told(first)) from None


def _expression(root: str, place: tuple[str | int, ...]) -> str:
    return root + "".join(f"[{part}]" if isinstance(part, int) else f".{part}" for part in place)
