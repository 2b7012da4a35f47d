"""One column of a release: which values it may have, and how they are coarsened level by level.

A column turns a child's value into its label at level 0 (``base``) and that label into the one of
a coarser level (``lift``). Each level merges labels of the level before, so coarsening can only
make records more alike. The last level, ``ANY``, is the same for everybody.
"""

import re
from collections.abc import Iterable, Mapping
from fractions import Fraction
from typing import Annotated, Any, Literal, Protocol

from pydantic import BaseModel, ConfigDict, Field, PrivateAttr, model_validator

ANY = "any"
Label = Annotated[str, Field(pattern=r"^[a-z0-9]+(-[a-z0-9]+)*$")]


class Column(Protocol):
    """What the search for the best levels needs of a column."""

    @property
    def weight(self) -> int:
        """How much of the record's worth the column carries."""

    @property
    def height(self) -> int:
        """Number of the last level."""

    def lift(self, label: str, level: int) -> str:
        """The label at ``level`` of a label at level 0."""


class _Declared(BaseModel):
    """What every column declares; unknown keys are refused."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    name: Annotated[str, Field(pattern=r"^[a-z][a-z_]*$")]
    source_field: str = Field(alias="from")
    role: Literal["quasi-identifier", "adherence"] = "quasi-identifier"
    meaning: str
    source: str
    unit: str | None = None
    weight: Annotated[int, Field(ge=0)] = 1


class Bands(_Declared):
    """Numbers in half-open bands; each level drops some cut points of the level before."""

    kind: Literal["bands"]
    cuts: tuple[tuple[int, ...], ...] = Field(alias="levels", min_length=1)
    missing: Label | None = None
    _lifted: list[dict[str, str]] = PrivateAttr()

    @model_validator(mode="after")
    def _nested(self) -> "Bands":
        first = self.cuts[0][0]
        for finer, coarser in zip(self.cuts, self.cuts[1:], strict=False):
            if not set(coarser) <= set(finer):
                raise ValueError(f"{self.name}: a cut of {coarser} is not a cut of {finer}")
        if any(cuts[0] != first or list(cuts) != sorted(set(cuts)) for cuts in self.cuts):
            raise ValueError(f"{self.name}: cuts rise, and begin at the same number")
        self._lifted = [
            {_band(self.cuts[0], cut): _band(cuts, cut) for cut in self.cuts[0]}
            for cuts in self.cuts
        ]
        return self

    @property
    def height(self) -> int:
        return len(self.cuts)

    def base(self, value: object) -> str:
        if value is None and self.missing is not None:
            return self.missing
        if isinstance(value, bool) or not isinstance(value, int | Fraction):
            raise ValueError("a number is expected")
        if value < self.cuts[0][0]:
            raise ValueError("below the first band")
        return _band(self.cuts[0], value)

    def lift(self, label: str, level: int) -> str:
        if level == self.height:
            return ANY
        return label if label == self.missing else self._lifted[level][label]

    def levels_as_json(self) -> list[dict[str, Any]]:
        levels: list[dict[str, Any]] = []
        for cuts in self.cuts:
            ends = [*cuts[1:], None]
            level: dict[str, Any] = {
                _band(cuts, low): {"from": low, "under": end}
                for low, end in zip(cuts, ends, strict=True)
            }
            levels.append(level | ({self.missing: "no value"} if self.missing else {}))
        return levels


class Groups(_Declared):
    """Codes, merged into fewer and fewer groups."""

    kind: Literal["groups"]
    levels: tuple[dict[Label, tuple[str, ...]], ...] = Field(min_length=1)
    _group_of: list[dict[str, str]] = PrivateAttr()

    @model_validator(mode="after")
    def _partitions(self) -> "Groups":
        self._group_of = [_group_of(self.name, level) for level in self.levels]
        for finer, coarser in zip(self.levels, self._group_of[1:], strict=False):
            if set(coarser) != set(finer):
                raise ValueError(f"{self.name}: a level must place exactly the groups before it")
        return self

    @property
    def height(self) -> int:
        return len(self.levels)

    def base(self, value: object) -> str:
        if not isinstance(value, str) or value not in self._group_of[0]:
            raise ValueError("not one of its codes")
        return self._group_of[0][value]

    def lift(self, label: str, level: int) -> str:
        if level == self.height:
            return ANY
        for group_of in self._group_of[1 : level + 1]:
            label = group_of[label]
        return label

    def levels_as_json(self) -> list[dict[str, Any]]:
        return [{label: list(members) for label, members in level.items()} for level in self.levels]


class CodeSet(_Declared):
    """A set of codes; then the set of their families; then the first listed thing it holds."""

    kind: Literal["set"]
    values: tuple[Label, ...]
    empty: Label
    families: dict[Label, tuple[str, ...]]
    holding: dict[Label, tuple[str, ...]]
    _family_of: dict[str, str] = PrivateAttr()

    @model_validator(mode="after")
    def _complete(self) -> "CodeSet":
        self._family_of = _group_of(self.name, self.families)
        if set(self._family_of) != set(self.values):
            raise ValueError(f"{self.name}: families must place exactly the values")
        held = _group_of(self.name, self.holding)
        if set(held) != {*self.families, self.empty}:
            raise ValueError(f"{self.name}: holding must place every family and the empty set")
        return self

    @property
    def height(self) -> int:
        return 3

    def base(self, value: object) -> str:
        if not isinstance(value, frozenset | set) or not value <= set(self.values):
            raise ValueError("not a set of its codes")
        return "+".join(sorted(value)) or self.empty

    def lift(self, label: str, level: int) -> str:
        if level == 0:
            return label
        if level == self.height:
            return ANY
        families = {self._family_of.get(value, value) for value in label.split("+")}
        if level == 1:
            return "+".join(sorted(families))
        return next(name for name, members in self.holding.items() if families & set(members))

    def levels_as_json(self) -> list[dict[str, Any]]:
        return [
            {"any of": list(self.values), "none": self.empty},
            {"any of": {name: list(members) for name, members in self.families.items()}},
            {name: list(members) for name, members in self.holding.items()},
        ]


_CONSTANT = re.compile(r"[A-Za-z0-9][A-Za-z0-9.+_-]{0,63}", re.ASCII)


class Constant(_Declared):
    """A value of the release itself: short, the same in every record, never coarsened."""

    kind: Literal["constant"]

    @property
    def height(self) -> int:
        return 0

    def base(self, value: object) -> str:
        if not isinstance(value, str) or not _CONSTANT.fullmatch(value):
            raise ValueError("not a version or period")
        return value

    def lift(self, label: str, level: int) -> str:
        if level:
            raise ValueError("a constant has one level")
        return label

    def levels_as_json(self) -> list[dict[str, Any]]:
        return [{"as given": "the same in every record"}]


AnyColumn = Annotated[Bands | Groups | CodeSet | Constant, Field(discriminator="kind")]


def _band(cuts: tuple[int, ...], value: int | Fraction) -> str:
    """The label of the band that holds ``value``: from its cut up to, not including, the next."""
    low = max(cut for cut in cuts if cut <= value)
    end = min((cut for cut in cuts if cut > value), default=None)
    return f"{low} and over" if end is None else f"{low} to under {end}"


def _group_of(name: str, groups: Mapping[str, Iterable[str]]) -> dict[str, str]:
    placed: dict[str, str] = {}
    for group, members in groups.items():
        for member in members:
            if placed.setdefault(member, group) != group or not member:
                raise ValueError(f"{name}: {member} is in two groups")
    return placed
