"""The rules of a release, read from the commented table ``mappings/registry/release.toml``."""

import tomllib
from pathlib import Path
from typing import Annotated

from pydantic import BaseModel, ConfigDict, Field, model_validator

from service.registry.columns import AnyColumn, Bands


class Policy(BaseModel):
    """What must hold on the final output, and how many children may be left out to reach it."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    k: Annotated[int, Field(ge=2)]
    distinct_bands: Annotated[int, Field(alias="distinct-bands", ge=2)]
    suppressed_at_most: Annotated[int, Field(alias="suppressed-at-most", ge=0, le=100)]
    """Per cent of the children."""


class Rules(BaseModel):
    """The columns of a record in their order, and the policy."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    version: str
    policy: Policy
    column: tuple[AnyColumn, ...]

    @model_validator(mode="after")
    def _one_sensitive_column(self) -> "Rules":
        sensitive = [column for column in self.column if column.role == "adherence"]
        if len(sensitive) != 1 or not isinstance(sensitive[0], Bands):
            raise ValueError("exactly one column has the role adherence, and it has bands")
        if len({column.name for column in self.column}) != len(self.column):
            raise ValueError("two columns have one name")
        return self

    @property
    def quasi_identifiers(self) -> tuple[AnyColumn, ...]:
        """Every column except the adherence band."""
        return tuple(column for column in self.column if column.role == "quasi-identifier")

    @property
    def adherence(self) -> Bands:
        """The one sensitive column."""
        sensitive = (column for column in self.column if column.role == "adherence")
        return next(column for column in sensitive if isinstance(column, Bands))

    @property
    def fields(self) -> frozenset[str]:
        """The allow-list: fields of a child that some column asks for."""
        return frozenset(column.source_field for column in self.column)


def load_rules(path: Path) -> Rules:
    """The rules in the TOML file ``path``. Raises ``pydantic.ValidationError`` where they break."""
    return Rules.model_validate(tomllib.loads(path.read_text(encoding="utf-8")))
