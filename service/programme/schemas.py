"""JSON Schemas of the documents, for whoever writes them.

A schema tells the shape; what the trade asks beyond it is in ``checks``.
"""

from typing import Any

from service.programme.base import Document
from service.programme.log import HealthState, Pause, Session
from service.programme.plan import Programme
from service.programme.review import TechniqueReview

_DIALECT = "https://json-schema.org/draft/2020-12/schema"


def _schema(model: type[Document]) -> dict[str, Any]:
    return {"$schema": _DIALECT, **model.model_json_schema(by_alias=True)}


def programme_schema() -> dict[str, Any]:
    """Schema of a programme."""
    return _schema(Programme)


def session_schema() -> dict[str, Any]:
    """Schema of a session."""
    return _schema(Session)


def health_state_schema() -> dict[str, Any]:
    """Schema of a spell of being well or unwell."""
    return _schema(HealthState)


def pause_schema() -> dict[str, Any]:
    """Schema of a pause."""
    return _schema(Pause)


def technique_review_schema() -> dict[str, Any]:
    """Schema of a technique review."""
    return _schema(TechniqueReview)
